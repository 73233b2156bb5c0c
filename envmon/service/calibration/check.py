"""What a person read at a calibration, as texts, and what the texts say."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from envmon.clock import DAY_US
from envmon.errors import InputError
from envmon.physics.salts import rel_hum_pct_over_salt, salt_name
from envmon.units import QUANTITIES, parse_value

HUMIDITIES = ("rel_hum_pct", "outdoor_rel_hum_pct")
"""What can be held to a salt solution."""


@dataclass(frozen=True, slots=True)
class Check:
    """What a person read and holds to be true.

    Attributes:
        point: Filled-in id of the point.
        quantity: Name of the quantity.
        pairs: Texts ``SHOWN=TRUE``.
        salts: Texts ``SALT=SHOWN``.
        jar_temp: Temperature over the salts; needed with them.
        read_at: When the values were read; empty for now.
        reference: What it was held to.
        by: Who accepts it; empty as long as nobody does.
        due: Date of the next check; empty for none.
        due_in: Time to the next check instead, such as ``180 d``.
    """

    point: str
    quantity: str
    pairs: tuple[str, ...] = ()
    salts: tuple[str, ...] = ()
    jar_temp: str = ""
    read_at: str = ""
    reference: str = ""
    by: str = ""
    due: str = ""
    due_in: str = ""


def check_from_options(
    series: tuple[str, str], pairs: tuple[str, ...], salts: tuple[str, ...], texts: tuple[str, ...]
) -> Check | None:
    """Return what a command's options say; None when they name no point.

    Args:
        series: Point and quantity.
        pairs: Texts ``SHOWN=TRUE``.
        salts: Texts ``SALT=SHOWN``.
        texts: Jar temperature, time of reading, reference, name, due date, time to it.

    Raises:
        InputError: A point without a quantity, or a check of no point.
    """
    if not any(series):
        if pairs or salts or any(texts):
            raise InputError("name the POINT and QUANTITY that was checked")
        return None
    if not all(series):
        raise InputError(f"name the quantity of {series[0]} that was checked, such as rel_hum_pct")
    if not (pairs or salts):
        raise InputError("give what was read: --pair SHOWN=TRUE, or --salt SALT=SHOWN with --temp")
    return Check(*series, pairs, salts, *texts)


def pairs_of(check: Check) -> tuple[tuple[tuple[float, float], ...], tuple[str, ...], float | None]:
    """Return the pairs [shown, true], the salts of the last of them, and the jar's temperature.

    Raises:
        InputError: A text that cannot be read, or what does not go together.
    """
    quantity = QUANTITIES[check.quantity]
    pairs = []
    for text in check.pairs:
        shown, true = _split(text, "--pair", "SHOWN=TRUE")
        pairs.append(
            (
                parse_value(shown, quantity.dimension, quantity.name),
                parse_value(true, quantity.dimension, quantity.name),
            )
        )
    if not check.salts:
        if check.jar_temp:
            raise InputError("--temp is the temperature over salts; give --salt with it")
        return tuple(pairs), (), None
    if check.quantity not in HUMIDITIES:
        raise InputError(f"--salt is for {' and '.join(HUMIDITIES)}, not for {check.quantity}")
    if not check.jar_temp:
        raise InputError("--salt needs --temp: humidity over a salt depends on its temperature")
    temp_c = parse_value(check.jar_temp, "temperature")
    split = [_split(text, "--salt", "SALT=SHOWN") for text in check.salts]
    salts = tuple(salt_name(name) for name, _ in split)
    over = [
        (parse_value(shown, "percent"), round(rel_hum_pct_over_salt(salt, temp_c).rel_hum_pct, 2))
        for salt, (_, shown) in zip(salts, split, strict=True)
    ]
    return (*pairs, *over), salts, temp_c


def _split(text: str, option: str, form: str) -> tuple[str, str]:
    left, equals, right = text.partition("=")
    if not (left.strip() and equals and right.strip()):
        raise InputError(f"{option} is {text!r}; write {form}")
    return left.strip(), right.strip()


def reference_of(check: Check, salts: tuple[str, ...]) -> str:
    """Return what the check was held to; the salts, where nothing else was said."""
    if check.reference or not salts:
        return check.reference
    return f"saturated {' and '.join(salts)} (Greenspan 1977)"


def due_of(check: Check, checked: date) -> str | None:
    """Return the date of the next check, or None.

    Raises:
        InputError: It cannot be read, or is given twice.
    """
    if check.due and check.due_in:
        raise InputError("give --due or --due-in, not both")
    if check.due_in:
        days = parse_value(check.due_in, "duration") * 1e6 / DAY_US
        if not 1 <= days <= 3_660:
            raise InputError(f"--due-in is {check.due_in!r}; allowed is 1 d to 3660 d")
        return (checked + timedelta(days=days)).isoformat()
    if not check.due:
        return None
    try:
        return date.fromisoformat(check.due).isoformat()
    except ValueError as error:
        raise InputError(f"--due is {check.due!r}; allowed is a date, 2026-07-26") from error
