"""Energy between times: by the fuel's meters, else by power, else by run time and rated output."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.heating.counters import CounterUse, used
from envmon.heating.fuel import FUELS, fuel_kwh
from envmon.heating.local import between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from envmon.heating.model import Floats, Ints, Kind, Winter
    from envmon.heating.runtime import RunTime
    from envmon.shop.heat import Heater, HeatingInfo

_FUEL_FIRST = ("fuel_m3", "fuel_l", "energy_kwh")


class EnergyUse(NamedTuple):
    """Energy between edges, each array (p,); NaN where not known.

    Attributes:
        fuel: Amount by the meters, in the counter's unit.
        energy_kwh: Energy of the fuel, upper heating value [kWh].
        heat_kwh: Heat into the bays [kWh].
        share: Share of the time it stands for, 0…1.
        kind: ``measured`` by a meter or a power point; ``inferred`` from run time and rated output.
        quantity: The counters' quantity; empty without a meter.
        meters: The meters by their point, as used.
    """

    fuel: Floats
    energy_kwh: Floats
    heat_kwh: Floats
    share: Floats
    kind: Kind
    quantity: str = ""
    meters: Mapping[str, CounterUse] = {}


class HeatBy(NamedTuple):
    """What the shop file says of heat: ``[heating]``, ``[[heater]]``, and the bays' run time."""

    info: HeatingInfo
    heaters: Sequence[Heater]
    runs: Mapping[str, RunTime]

    def heater(self, bay: str) -> Heater | None:
        """Return a bay's heater, or None."""
        return next((heater for heater in self.heaters if heater.bay == bay), None)

    def efficiency(self, bay: str) -> float:
        """Return heat out over energy in, of a bay's heater or the shop's."""
        heater = self.heater(bay)
        return (heater.efficiency if heater else None) or self.info.efficiency

    @property
    def heated(self) -> tuple[str, ...]:
        """Bays that have a heater, by the shop file or by what is known of their run time."""
        named = {heater.bay for heater in self.heaters}
        return tuple(bay for bay, run in self.runs.items() if bay in named or run.kind != "unknown")


def energy_between(winter: Winter, heat: HeatBy, edges_us: Ints) -> EnergyUse:
    """Return energy between edges by the best that is there.

    Meters of one kind are summed: those that count the fuel itself before those in kWh. A day or
    an hour that the meters do not know stays unknown; run time does not stand in for it.

    Args:
        winter: What the log is made from.
        heat: Heating of the shop and the bays' run time.
        edges_us: Rising times [µs] (p + 1,).
    """
    quantity = next((q for q in _FUEL_FIRST if _points(winter, heat.info, q)), "")
    if quantity:
        return _metered(winter, heat, edges_us, quantity)
    by_power = _by_power(winter, heat, edges_us)
    return by_power if by_power is not None else _by_output(winter, heat, edges_us)


def _points(winter: Winter, info: HeatingInfo, quantity: str) -> list[tuple[str, str]]:
    if quantity not in FUELS[info.fuel]:
        return []
    return [key for key, meter in winter.counters.items() if key[1] == quantity and len(meter.t_us)]


def _metered(winter: Winter, heat: HeatBy, edges_us: Ints, quantity: str) -> EnergyUse:
    meters = {
        key[0]: used(winter.counters[key], edges_us) for key in _points(winter, heat.info, quantity)
    }
    fuel = np.sum([use.amount for use in meters.values()], axis=0)
    share = np.min([use.share for use in meters.values()], axis=0)
    kwh = fuel_kwh(fuel, quantity, heat.info)
    heat_kwh = kwh * _whole_efficiency(heat)
    return EnergyUse(fuel, kwh, heat_kwh, share, "measured", quantity, meters)


def _whole_efficiency(heat: HeatBy) -> float:
    """Return the efficiency of all heaters together, weighed by the heat each gave."""
    gave = {bay: _gave(heat, bay) for bay in heat.heated}
    if not gave:
        return heat.info.efficiency
    if not all(weight > 0 for weight in gave.values()):
        gave = dict.fromkeys(gave, 1.0)
    return sum(gave.values()) / sum(part / heat.efficiency(bay) for bay, part in gave.items())


def _gave(heat: HeatBy, bay: str) -> float:
    heater, share = heat.heater(bay), heat.runs[bay].share
    if heater is None or heater.output is None or not np.isfinite(share).any():
        return 0.0
    return float(np.nanmean(share)) * heater.output


def _by_power(winter: Winter, heat: HeatBy, edges_us: Ints) -> EnergyUse | None:
    """Return energy from power points; None unless every heated bay has one.

    Electric power is what is drawn; the power of a burner is the heat it gives.
    """
    powers = {bay: winter.bays[bay].heater_w for bay in heat.heated}
    given = {bay: power_w for bay, power_w in powers.items() if power_w is not None}
    if not given or len(given) < len(powers):
        return None
    drawn = heat.info.fuel == "electricity"
    factor = {bay: (1.0, heat.efficiency(bay)) if drawn else (1 / heat.efficiency(bay), 1.0)
              for bay in given}  # fmt: skip
    return _summed(winter, given, factor, edges_us, "measured")


def _by_output(winter: Winter, heat: HeatBy, edges_us: Ints) -> EnergyUse:
    """Return energy from run time and rated output; unknown where a heater has none."""
    outputs = {
        bay: heater.output for bay in heat.heated if (heater := heat.heater(bay)) and heater.output
    }
    if not outputs or len(outputs) < len(heat.heated):
        nothing = np.full(len(edges_us) - 1, np.nan)
        return EnergyUse(nothing, nothing, nothing, np.zeros(len(nothing)), "unknown")
    powers = {bay: heat.runs[bay].share * output for bay, output in outputs.items()}
    factor = {bay: (1 / heat.efficiency(bay), 1.0) for bay in powers}
    return _summed(winter, powers, factor, edges_us, "inferred")


def _summed(
    winter: Winter,
    powers_w: Mapping[str, Floats],
    factor: Mapping[str, tuple[float, float]],
    edges_us: Ints,
    kind: Kind,
) -> EnergyUse:
    """Return energy of power by the minute: what is known of it."""
    cuts = {bay: between(power, winter.start_us, edges_us) for bay, power in powers_w.items()}
    kwh = {bay: cut.total_min / 60e3 for bay, cut in cuts.items()}
    energy = np.sum([kwh[bay] * factor[bay][0] for bay in cuts], axis=0)
    heat = np.sum([kwh[bay] * factor[bay][1] for bay in cuts], axis=0)
    share = np.min([cut.share for cut in cuts.values()], axis=0)
    return EnergyUse(np.full(len(share), np.nan), energy, heat, share, kind)
