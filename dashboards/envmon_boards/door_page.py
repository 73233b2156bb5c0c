"""The page where a person logs in: a name, and keys large enough for a thumb in a glove."""

from __future__ import annotations

from html import escape

KEYS = ("1", "2", "3", "4", "5", "6", "7", "8", "9")
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex"><title>Log in · {shop}</title>
<link rel="stylesheet" href="/assets/look_a_tokens.css">
<link rel="stylesheet" href="/static/login.css">
<script defer src="/static/login.js"></script></head>
<body><main>
<header><p class="shop">{shop}</p><h1>Log in</h1></header>
<form id="form" autocomplete="on">
<section class="who" aria-label="who">
<label for="name">Your name</label>
<input id="name" name="username" autocomplete="username" autocapitalize="words" spellcheck="false"
  maxlength="40" enterkeyhint="next">
<div id="names" role="group" aria-label="names used here before"></div>
<p class="hint">Whoever runs the shop gives out names and PINs,
and a new one when yours is lost.</p>
</section>
<section class="secret" aria-label="PIN or password">
<div class="line"><label for="secret" id="what">PIN</label>
<button type="button" id="other" class="quiet">password instead</button></div>
<input id="secret" name="password" type="password" autocomplete="current-password"
  inputmode="none" maxlength="128" enterkeyhint="go">
<p id="said" role="alert"></p>
<div id="keys" role="group" aria-label="keys">{keys}
<button type="button" class="key rub" data-key="rub"
  aria-label="take the last digit away">⌫</button>
<button type="button" class="key" data-key="0">0</button>
<button type="submit" class="key go">log in</button></div>
<button type="submit" class="go wide" hidden>Log in</button>
</section></form>
<noscript><p class="off">Logging in needs scripts; switch them on in the browser.</p></noscript>
</main></body></html>
"""


def login_page(shop: str) -> str:
    """Return the page.

    Args:
        shop: Name of the shop.
    """
    keys = "".join(
        f'<button type="button" class="key" data-key="{key}">{key}</button>' for key in KEYS
    )
    return _PAGE.format(shop=escape(shop), keys=keys)
