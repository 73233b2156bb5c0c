"""Published limits for the vapour of a solvent in the air people breathe, each with its source."""

from __future__ import annotations

from typing import Literal, NamedTuple

from envmon.errors import InputError
from envmon.physics.carriers import carrier_of

Over = Literal["moment", "quarter", "shift"]
"""What a limit is held against: any moment, a mean of 15 minutes, a mean of a shift of 8 h."""

WINDOW_S: dict[Over, float] = {"moment": 0.0, "quarter": 900.0, "shift": 28_800.0}
"""Time a limit's mean is taken over [s]."""

PART_OF_LEL = 0.1
"""This part of the lower explosive limit is not to be passed anywhere (common practice)."""


class VapourLimit(NamedTuple):
    """One published limit.

    Attributes:
        name: Who says it, and what they call it.
        ppm: Not above this [parts per million by volume].
        over: Over which time.
        source: Where it stands.
    """

    name: str
    ppm: float
    over: Over
    source: str


_OSHA = "29 CFR 1910.1000, table Z-1"
_OSHA_M = f"{_OSHA} (from memory)"
_NIOSH = "NIOSH page on IDLH values, text of May 1994"
_NIOSH_M = "NIOSH Pocket Guide (from memory)"
_ACGIH_M = "ACGIH TLVs (from memory)"
_BOTH = "IEC 60079-20-1:2010 and NFPA 497:2008"


def _of_lel(vol_pct: float, source: str) -> VapourLimit:
    ppm = PART_OF_LEL * 1e4 * vol_pct
    return VapourLimit("10 % of the LEL", ppm, "moment", f"LEL {vol_pct:g} %, {source}")


# Where IEC and NFPA differ, the lower one. OSHA takes means of 8 h, NIOSH of up to 10 h: here 8,
# which is the stricter.
_LIMITS: dict[str, tuple[VapourLimit, ...]] = {
    "2-propanol": (
        VapourLimit("OSHA PEL", 400, "shift", _OSHA),
        VapourLimit("NIOSH REL", 400, "shift", _NIOSH),
        VapourLimit("NIOSH STEL", 500, "quarter", _NIOSH),
        VapourLimit("ACGIH TLV", 200, "shift", _ACGIH_M),
        VapourLimit("ACGIH STEL", 400, "quarter", _ACGIH_M),
        _of_lel(2.0, _BOTH),
    ),
    "ethanol": (
        VapourLimit("OSHA PEL", 1000, "shift", _OSHA_M),
        VapourLimit("NIOSH REL", 1000, "shift", _NIOSH_M),
        VapourLimit("ACGIH STEL", 1000, "quarter", _ACGIH_M),
        _of_lel(3.1, "IEC 60079-20-1:2010; NFPA 497:2008 has 3.3 %"),
    ),
    "acetone": (
        VapourLimit("OSHA PEL", 1000, "shift", _OSHA_M),
        VapourLimit("NIOSH REL", 250, "shift", _NIOSH_M),
        VapourLimit("ACGIH TLV", 250, "shift", _ACGIH_M),
        VapourLimit("ACGIH STEL", 500, "quarter", _ACGIH_M),
        _of_lel(2.5, _BOTH),
    ),
}

SOLVENTS: tuple[str, ...] = tuple(_LIMITS)
"""Carriers there are limits for."""


def limits_of(name: str) -> tuple[VapourLimit, ...]:
    """Return the limits for a solvent's vapour.

    Raises:
        InputError: No such carrier, or none whose vapour harms.
    """
    carrier = carrier_of(name)
    if name not in _LIMITS:
        raise InputError(
            f"carrier is {carrier.name!r}, which has no vapour limits; allowed: "
            f"{', '.join(SOLVENTS)}"
        )
    return _LIMITS[name]
