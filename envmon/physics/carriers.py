"""The liquids that evaporate from products: vapour pressure, molar mass, density.

Source of the Antoine constants: Poling, Prausnitz, O'Connell, "The Properties of Gases and
Liquids", 5th ed. (2001), as tabulated in the library chemicals 1.5.2. Below the book's own range
(2-propanol 8 °C, ethanol 3 °C) they are drawn on: the change from 20 °C then lies up to 6 %
(2-propanol at −10 °C) from that of other correlations. Water has the formula of moist air.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from envmon.errors import InputError
from envmon.physics.ranges import Limit, evaluate
from envmon.physics.saturation import ZERO_C_K, saturation

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from envmon.physics.saturation import Value

GAS_CONSTANT = 8.314462618
"""[J/(mol K)], exact since 2019 (SI brochure, 9th ed., from memory)."""
DIFFUSION_POWER = 1.75
"""A gas diffuses in air by this power of the temperature (Fuller, Schettler and Giddings 1966,
as in Poling, eq. 11-4.4; from memory)."""

_COLDEST_C, _WARMEST_C = -10.0, 60.0


class Carrier(NamedTuple):
    """A liquid that evaporates.

    Attributes:
        name: As in the shop file.
        molar_mass: [kg/mol].
        density_kg_l: Of the liquid at 20 °C [kg/l] (CRC Handbook, from memory).
        antoine: A, B, C of log10(p [Pa]) = A − B/(T [K] + C); None for water.
        coldest_c: From here on its vapour pressure is known [°C].
    """

    name: str
    molar_mass: float
    density_kg_l: float
    antoine: tuple[float, float, float] | None
    coldest_c: float = _COLDEST_C

    @property
    def temp_limit(self) -> Limit:
        """Temperatures the vapour pressure is known for."""
        words = f"{self.coldest_c:g} to {_WARMEST_C:g} °C".replace("-", "−")
        return Limit(f"temperature of {self.name}", "°C", self.coldest_c, _WARMEST_C, words)


_ALL = (
    Carrier("2-propanol", 0.06009502, 0.785, (10.24268, 1580.92, -53.54)),
    Carrier("ethanol", 0.04606844, 0.789, (10.33675, 1648.22, -42.232)),
    Carrier("acetone", 0.05807914, 0.790, (9.2184, 1197.01, -45.09)),
    Carrier("water", 0.01801528, 0.998, None, 0.0),
)
CARRIERS: dict[str, Carrier] = {carrier.name: carrier for carrier in _ALL}
"""Name -> carrier, as the shop file names them."""


def carrier_of(name: str) -> Carrier:
    """Return a carrier by its name.

    Raises:
        InputError: There are no values for it.
    """
    found = CARRIERS.get(name)
    if found is None:
        raise InputError(f"carrier is {name!r}; there are values for {', '.join(CARRIERS)}")
    return found


def _pressure(temp_c: Value, carrier: Carrier, xp: Any) -> Value:
    if carrier.antoine is None:
        return saturation(temp_c, "water", xp)
    a, b, c = carrier.antoine
    return 10 ** (a - b / (temp_c + ZERO_C_K + c))


def carrier_pressure_pa(name: str, temp_c: ArrayLike) -> Any:
    """Return the vapour pressure over a carrier.

    Args:
        name: Carrier, one of ``CARRIERS``.
        temp_c: Temperature of the liquid [°C], −10…60 (water 0…60).

    Returns:
        Vapour pressure [Pa], shape of ``temp_c``, NaN in an array where it is out of range.

    Raises:
        InputError: No such carrier, or a single temperature is out of range.

    Source: Antoine's equation with Poling's constants; water: Hyland and Wexler.
    """
    carrier = carrier_of(name)
    return evaluate(_pressure, (carrier.temp_limit,), (temp_c,), (carrier,))


def evaporation_ratio(name: str, surface_c: float, film_c: float, at_c: float) -> float:
    """Return how much faster a carrier evaporates than where surface and air are at ``at_c``.

    The flux through a still film of air is diffusivity × vapour pressure / temperature: what the
    air's movement and the film's thickness do drops out of a ratio. Air free of the carrier.

    Args:
        name: Carrier, one of ``CARRIERS``.
        surface_c: Temperature of the wet surface [°C].
        film_c: Temperature of the air film over it, the mean of surface and air [°C].
        at_c: Temperature compared with [°C].

    Raises:
        InputError: No such carrier, or a temperature is out of range.

    Source: Fick's law with the ideal gas, diffusivity by Fuller (see ``DIFFUSION_POWER``).
    """
    pressures = carrier_pressure_pa(name, surface_c) / carrier_pressure_pa(name, at_c)
    film = (film_c + ZERO_C_K) / (at_c + ZERO_C_K)
    return float(pressures * film ** (DIFFUSION_POWER - 1))
