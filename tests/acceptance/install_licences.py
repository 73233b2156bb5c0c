"""Under which licence everything stands that is installed with envmon, held to what is allowed.

    .venv/bin/python tests/acceptance/install_licences.py

What a shop installs must be free to use, also beside what is not free: permissive licences, and
those that ask only for changes of the library itself to be published (MPL, LGPL). What only the
tests need may be under the GPL. Names are those of SPDX. No legal advice: it says what packages
say of themselves.
"""

from __future__ import annotations

import re
import sys
from importlib import metadata
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.acceptance.install_pins import needed

PERMISSIVE = frozenset(
    {
        "0BSD", "Apache-2.0", "BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT",
        "MIT-0", "MIT-CMU", "PSF-2.0", "Public-Domain", "Zlib",
    }
)  # fmt: skip
LIBRARY = frozenset({"MPL-1.1", "MPL-2.0", "LGPL-2.0-or-later", "LGPL-2.1-or-later"})
TESTS_ONLY = frozenset({"GPL-3.0"})
_PLAIN = (
    (r"lesser general public license v2 or later", "LGPL-2.0-or-later"),
    (r"general public license v2 or later", "GPL-2.0-or-later"),
    (r"general public license v3|^gpl v3$", "GPL-3.0"),
    (r"mozilla public license 2\.0|mpl-2\.0", "MPL-2.0"),
    (r"mozilla public license 1\.1", "MPL-1.1"),
    (r"apache", "Apache-2.0"),
    (r"bsd[- ]2-clause", "BSD-2-Clause"),
    (r"bsd[- ]3-clause", "BSD-3-Clause"),
    (r"\bbsd\b", "BSD"),
    (r"\bisc\b", "ISC"),
    (r"\bmit\b", "MIT"),
    (r"public domain", "Public-Domain"),
)


def licence_of(name: str) -> str:
    """Return a package's licence as an expression of SPDX; empty when it says none."""
    about = metadata.metadata(name).json
    expression = about.get("license_expression")
    if expression:
        return str(expression)
    classifiers = [text for text in about.get("classifier", []) if "License ::" in text]
    said = [_plain(text.rpartition("::")[2]) for text in classifiers]
    found = [text for text in said if text] or [_plain(str(about.get("license", ""))[:60])]
    return " OR ".join(dict.fromkeys(text for text in found if text))


def allowed(expression: str, licences: frozenset[str]) -> bool:
    """Return whether one may take a package under these licences."""
    return any(
        all(part.strip("() ") in licences for part in choice.split(" AND "))
        for choice in expression.split(" OR ")
    )


def not_allowed() -> list[str]:
    """Return a line for each package whose licence is none of the allowed ones."""
    shop = needed(("node",))
    lines = []
    for name, version in needed().items():
        licences = PERMISSIVE | LIBRARY | (frozenset() if name in shop else TESTS_ONLY)
        expression = licence_of(name)
        if not allowed(expression, licences):
            where = "a shop's install" if name in shop else "the tests"
            lines.append(f"{name} {version}, in {where}: {expression or 'says no licence'}")
    return lines


def _plain(text: str) -> str:
    lower = text.strip().lower()
    return next((spdx for pattern, spdx in _PLAIN if re.search(pattern, lower)), "")


def main() -> int:
    """Print the list; return 1 when a licence is not allowed."""
    shop = needed(("node",))
    for name, version in needed().items():
        print(f"{name:<28}{version:<18}{licence_of(name):<52}{'' if name in shop else 'tests'}")
    wrong = not_allowed()
    print(*(f"not allowed: {line}" for line in wrong), sep="\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
