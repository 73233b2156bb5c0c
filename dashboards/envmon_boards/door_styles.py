"""Style sheets that others put into a page while it draws, by their hashes.

Dash and plotly bring sheets for parts that no board uses, and plotly an empty one that it fills
through the document's own interface. With another version of theirs a hash may be another: then a
browser says so in its console (``tests/test_door_look.py`` fails and names it), and nothing on a
board looks otherwise.
"""

from __future__ import annotations

KNOWN = (
    "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=",
    "Do5Z9ZqsPvCQTUBQS9BnDm/2+on7omuzuLYk5sbA+2s=",
    "ITR5T9OwskhdqdsliUJRmgp9ltOFAHgXe1F7eRvGnmQ=",
    "0IJGrxhCP5NUIafylLkj5118xkZH1kp5FmNio7NOckI=",
    "Z8VokGxeiKThZOEmkdUgfW+jxbvItBwAXC8M1c4wqAM=",
    "VUA+tqvhK3niMn7AdszqidMFPRh9FLqxB2iINUrsiTw=",
    "Aq43X0SlmB69maWGob4rp/UuSHhwePalkRRExtsxOJ8=",
    "SkhFDxgIcEjMhRh19uSHWrkdnAlZ9rlskgr9yLsipa8=",
    "uDiOZWps1U7E8/0BTaQrclYMhVhRVE4dT0vb5X6nXOw=",
    "+QoPrsxO0auPnxSulD3bAr9CoDGgzv7YRfYE0vfxeQI=",
    "MJs2ke1SA6Cy3tTCZu2QH0rj0r//iNqU0idy9bM4leg=",
    "X2TqJwnIiE/ceDVeAdr7v7BOWBU6CEzE6qxlNzBzvBk=",
    "ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o=",
)
"""SHA-256 of each: the empty one, eleven of Dash 4.4.1, one of plotly.js 4.1.1."""
SHEETS = " ".join(f"'sha256-{one}'" for one in KNOWN)
"""As a content policy writes them."""
