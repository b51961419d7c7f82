"""Which pack: how long each candidate would run this piece, and why one cannot.

Depth runs from 0 (full) to 1 (floor of the chemistry). With the typical curve V(d) of the
chemistry and the capacity Q at this draw, the time down to the circuit's own floor is

    t = Q / k * integral from 0 to d_end of dd / I(V(d))

I(V) is the budget's current at that pack voltage: power over voltage behind a
switching converter, constant otherwise. Capacity, curve, draw, temperature and age each
have their doubt; all are drawn together (Monte Carlo after JCGM 101:2008, 5.9),
and the interval is that of the draws.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import scipy

from analysis.curve.curve_family import CurveFamily
from analysis.doubt.quantity import Quantity
from analysis.electric.demand import SLACK_V, Demand, over_ceiling, way_down_v
from analysis.electric.pack_table import (
    AGEING_LOSS,
    BANK_LEAST_MA,
    BEGINNER_ORDER,
    COLD_LOSS_PER_K,
    USB_PORT_MA,
    USB_SOURCE_LEAST_V,
    facts,
    limits_ma,
    mass_g,
)
from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    capacity_prior,
    families,
)
from logger.base.pack import CHEMISTRIES, Pack

Array = npt.NDArray[np.float64]
DRAWS: Final = 2000
HALF: Final = 0.5
LITHIUM: Final = frozenset({"li-ion", "lifepo4", "lithium-coin", "lithium-aa"})
OVER_WORDS: Final = "fresh it gives up to"
COVERAGE: Final = 0.9
# Standard deviation of capacity between cells of one make: our own judgement.
CELL_SPREAD: Final = 0.04
_DEPTH: Final = np.linspace(0.0, 1.0, 201)


NO_HALF_LIGHT: Final = Quantity(None, "h", note="no plain LEDs follow the pack's voltage")


@dataclass(frozen=True)
class PackAnswer:
    """One candidate. ``reasons``: why it cannot serve; empty if it can. ``cautions``: what to mind.

    ``sag_v``: what the peak costs over the mean through the pack's resistance, fresh and at the end.
    ``half_light``: when the first plain LEDs are down to half their light; no value without such LEDs.
    """

    pack: Pack
    name: str
    runtime: Quantity
    mass_g: float | None
    rechargeable: bool
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    sag_v: tuple[float, float] = (0.0, 0.0)
    half_light: Quantity = NO_HALF_LIGHT

    @property
    def serves(self) -> bool:
        return not self.reasons


def judge_pack(
    pack: Pack,
    demand: Demand,
    rng: np.random.Generator,
    temperature_c: float = 20.0,
    name: str = "",
) -> PackAnswer:
    """Runtime of one pack under this demand, and what speaks against it."""
    reasons = _voltage_reasons(pack, demand)
    cautions: list[str] = [pack.caution]
    runtime, half_light = Quantity(None, "h"), NO_HALF_LIGHT
    if not reasons:
        hours, half_h = _runtimes_h(pack, demand, rng, temperature_c)
        half_light = _half_light(half_h)
        low, median, high = np.quantile(hours, [(1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2])
        runtime = Quantity(
            float(median),
            "h",
            float(low),
            float(high),
            COVERAGE,
            "typical curve and capacity of such cells, not of yours; with the budget's own doubt",
        )
        over, brown_out = _over_limits(pack, demand), _peak_reasons(pack, demand)
        # What may hurt before what disappoints.
        reasons += [*over, *brown_out] if pack.chemistry in LITHIUM else [*brown_out, *over]
        reasons += _short_of(float(low), float(high), demand)
        cautions += _habits(pack, demand)
    return PackAnswer(
        pack,
        name or _name(pack),
        runtime,
        mass_g(pack),
        facts(pack).rechargeable,
        tuple(reasons),
        tuple(cautions),
        _sag_v(pack, demand),
        half_light,
    )


def _half_light(half_h: Array | None) -> Quantity:
    """When the light is half, of the draws; not a number where it never is while the pack lasts."""
    if half_h is None:
        return NO_HALF_LIGHT
    if np.isnan(half_h).mean() > (1 - COVERAGE) / 2:
        return Quantity(None, "h", note="over half its light until the pack is empty")
    low, middle, high = np.nanquantile(half_h, [(1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2])
    note = "light taken as proportional to the current: usual for LEDs, from memory"
    return Quantity(float(middle), "h", float(low), float(high), COVERAGE, note)


def _name(pack: Pack) -> str:
    """The pack as one would ask for it in a shop."""
    if pack.chemistry == "usb-bank":
        return "USB power bank" + (f" {pack.capacity_mah:g} mAh" if pack.capacity_mah else "")
    if pack.capacity_mah and pack.size in ("pouch", ""):
        return f"{pack} {pack.capacity_mah:g} mAh"
    return str(pack)


def judge_measured(
    pack: Pack,
    charge_mah: Array,
    pack_v: Array,
    demand: Demand,
    rng: np.random.Generator,
    *,
    charge_std: float,
    name: str,
) -> PackAnswer:
    """Runtime on a pack of which a run was measured: its own curve instead of a typical one.

    ``charge_mah`` ascending and ``pack_v``: shape (rows,), one full rundown. ``charge_std``: standard
    uncertainty of the charge as a fraction; cells of one kind differ by ``CELL_SPREAD`` on
    top. t = integral of dq / I(V(q)) while the voltage stays over the circuit's cutoff.
    """
    reasons = _voltage_reasons(pack, demand)
    floor_v = max(demand.give_up_v, pack.floor_v)
    steps = np.linspace(charge_mah[0], charge_mah[-1], _DEPTH.size)
    volts = np.interp(steps, charge_mah, pack_v)
    alive = np.minimum.accumulate(volts >= floor_v)
    per_step = np.where(alive, np.gradient(steps) / demand.current_at_ma(volts), 0.0)
    hours = float(per_step.sum())
    relative = np.exp(np.hypot(charge_std, CELL_SPREAD) * rng.standard_normal(DRAWS))
    draw = np.clip(1 + demand.relative_std * rng.standard_normal(DRAWS), 0.2, None)
    low, median, high = np.quantile(hours * relative / draw, [0.05, 0.5, 0.95])
    half_h = _until(per_step, _dimmed(volts, demand) & alive) * relative / draw
    cautions = [pack.caution]
    if alive.all():
        cautions.append(
            f"the measured run ended above {floor_v:g} V, so the runtime is what it gave until then: a lower bound"
        )
    mean_ma = float(demand.current_at_ma(np.array([float(np.median(volts))]))[0])
    reasons += _over_limits(pack, demand)
    reasons += _short_of(low, high, demand)
    return PackAnswer(
        pack,
        name,
        Quantity(
            float(median), "h", float(low), float(high), COVERAGE,
            f"from a measured run, here at {mean_ma:.0f} mA; cells of one kind taken to differ by "
            f"{CELL_SPREAD * 100:g} % (our own judgement)",
        ),
        mass_g(pack),
        facts(pack).rechargeable,
        tuple(reasons),
        tuple(cautions),
        half_light=_half_light(half_h if demand.leds else None),
    )  # fmt: skip


def _short_of(low_h: float, high_h: float, demand: Demand) -> list[str]:
    if not demand.hours or low_h >= demand.hours:
        return []
    words = "will not last" if high_h < demand.hours else "may not last"
    return [f"{words} the {demand.hours:g} h asked for"]


def in_order(answers: list[PackAnswer]) -> list[PackAnswer]:
    """What serves first; then alkaline before lithium, as for a beginner; then the lighter pack."""

    def rank(answer: PackAnswer) -> tuple[bool, int, float]:
        return (
            not answer.serves,
            BEGINNER_ORDER.index(answer.pack.chemistry),
            answer.mass_g if answer.mass_g is not None else np.inf,
        )

    return sorted(answers, key=rank)


def _voltage_reasons(pack: Pack, demand: Demand) -> list[str]:
    reasons = []
    over = over_ceiling(pack, demand.ceilings)
    if over is not None:
        reasons.append(f"{OVER_WORDS} {pack.full_v:.2f} V, more than {over.words}")
    elif demand.most_v and pack.full_v > demand.most_v + SLACK_V:
        reasons.append(
            f"{OVER_WORDS} {pack.full_v:.2f} V, more than the {demand.most_v:g} V allowed"
        )
    for led in demand.leds:
        lit = float(led.over_v(np.array(pack.nominal_v))) / (led.supply_v - led.forward_v)
        if lit < HALF:
            reasons.append(
                f"its {pack.nominal_v:g} V light {led.name} at {lit * 100:.0f} % of what the budget counts on"
            )
            break
    if pack.chemistry == "usb-bank" and USB_SOURCE_LEAST_V < demand.give_up_v < pack.nominal_v:
        reasons.append(
            f"a USB source may give as little as {USB_SOURCE_LEAST_V:g} V (USB 2.0, 7.2.2), under the circuit's "
            f"floor of {demand.give_up_v:g} V"
        )
    if demand.give_up_v and pack.nominal_v <= demand.give_up_v:
        reasons.append(
            f"its {pack.nominal_v:g} V lie at or under the circuit's cutoff of {demand.give_up_v:g} V"
        )
    return reasons


def _runtimes_h(
    pack: Pack, demand: Demand, rng: np.random.Generator, temperature_c: float
) -> tuple[Array, Array | None]:
    """Runtimes of the draws, and when their light is half."""
    start_v = pack.nominal_v
    mean_ma = float(demand.current_at_ma(np.array([start_v]))[0])
    prior = capacity_prior(pack, mean_ma)
    scatter = rng.standard_normal((DRAWS, 4))
    q_mah = prior.median_mah * np.exp(prior.log_sd * scatter[:, 0])
    cold = COLD_LOSS_PER_K.get(pack.chemistry, 0.01) * max(20.0 - temperature_c, 0.0)
    # The loss itself is known to about a third.
    q_mah *= np.clip(1 - cold * (1 + 0.33 * scatter[:, 2]), 0.05, 1.0)
    if facts(pack).rechargeable:
        q_mah *= 1 - AGEING_LOSS * rng.random(DRAWS)
    draw = np.clip(1 + demand.relative_std * scatter[:, 1], 0.2, None)
    volts = _curves(pack, scatter[:, 3], mean_ma / prior.median_mah, rng)
    floor_v = max(demand.give_up_v, pack.floor_v)
    alive = np.minimum.accumulate(volts >= floor_v, axis=1)
    step = np.gradient(_DEPTH)
    per_step = np.where(alive, step / demand.current_at_ma(volts), 0.0)
    half_h = None
    if demand.leds:
        half_h = q_mah / draw * _until(per_step, _dimmed(volts, demand) & alive)
    return q_mah / draw * per_step.sum(axis=1), half_h


def _dimmed(volts: Array, demand: Demand) -> npt.NDArray[np.bool_]:
    """Where the first of the LEDs has lost half its light, against the start of each row of ``volts``."""
    dim = np.zeros(volts.shape, dtype=bool)
    for led in demand.leds:
        over_v = led.over_v(volts)
        dim |= over_v <= HALF * over_v[..., :1]
    return dim


def _until(per_step: Array, reached: npt.NDArray[np.bool_]) -> Array:
    """Sum of the steps before the first that is reached; not a number where none is; shape (draws,)."""
    first = reached.argmax(axis=-1)
    before = np.arange(per_step.shape[-1]) < first[..., None]
    return np.where(reached.any(axis=-1), (per_step * before).sum(axis=-1), np.nan)


def _curves(pack: Pack, scatter: Array, rate_per_h: float, rng: np.random.Generator) -> Array:
    """Pack voltage against depth of every draw; shape (draws, depths)."""
    kinds = families(pack.chemistry)
    if not kinds:
        return np.full((DRAWS, _DEPTH.size), pack.nominal_v)
    typical = np.array([_typical_v(kind, _DEPTH) for kind in kinds])
    slow = np.array([kind.spread_v for kind in kinds])
    which = rng.choice(len(kinds), size=DRAWS, p=_weights([kind.weight for kind in kinds]))
    drop = np.array([kind.drop_v_h for kind in kinds]) * (rate_per_h - TYPICAL_RATE_PER_H)
    # The shift fades out at the end: the capacity is that down to the floor at this rate.
    fade = np.clip((1 - _DEPTH) / 0.2, 0, 1)
    shift = (slow[which] * scatter - drop[which])[:, None] * fade[None, :]
    floor_v = CHEMISTRIES[pack.chemistry].floor_v
    return pack.cells * np.maximum(typical[which] + shift, floor_v)


def _typical_v(family: CurveFamily, depth: Array) -> Array:
    """Typical volts per cell of a curve family at these depths."""
    return np.asarray(
        scipy.interpolate.PchipInterpolator(family.depth, family.volts)(depth), dtype=np.float64
    )


def _weights(raw: list[float]) -> Array:
    weights = np.array(raw)
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def _peak_reasons(pack: Pack, demand: Demand) -> list[str]:
    """Brown-out at the peak although the mean is fine: fresh, or half-way down."""
    kinds = families(pack.chemistry)
    if not kinds or not demand.give_up_v:
        return []
    cell = facts(pack)
    depths = np.linspace(0.0, 1.0, 21)
    volts = pack.cells * _typical_v(kinds[0], depths)
    ohm = pack.cells * (cell.fresh_ohm + (cell.end_ohm - cell.fresh_ohm) * depths**2)
    mean_ma = demand.current_at_ma(volts)
    extra_a = np.array([demand.peak_at_ma(float(v)) for v in volts]) / 1000 - mean_ma / 1000
    under = volts - np.maximum(extra_a, 0) * ohm < demand.give_up_v
    alive = volts >= demand.give_up_v
    first = int(np.argmax(under)) if under.any() else -1
    if first < 0 or not alive[first] or depths[first] > 0.6:
        return []
    when = "already fresh" if first == 0 else f"from about {depths[first] * 100:.0f} % empty"
    return [
        f"the peak of {demand.peak_at_ma(float(volts[first])):.0f} mA pulls it under the circuit's cutoff {when}, "
        "although the mean is fine (internal resistance typical, from memory)"
    ]


def _over_limits(pack: Pack, demand: Demand) -> list[str]:
    """More than such cells are made for: at the peak, or in a mode that lasts; at the worst end of the pack's way down."""
    limits = limits_ma(pack)
    if limits is None:
        return []
    ends_v = way_down_v(pack, demand.give_up_v)
    peak = max((demand.peak_at_ma(volts), volts) for volts in ends_v)
    lasting, where = max(
        ((float(mode.current_at_ma(np.array(volts))), volts), mode.name)
        for mode in demand.by_mode or (demand,)
        for volts in ends_v
    )
    steady_ma, peak_ma = limits
    mean = f'mean in "{where}" of' if where else "mean of"
    for word, (drawn, volts), limit in (
        ("peak of", peak, peak_ma),
        (mean, lasting, steady_ma),
    ):
        if drawn > limit:
            rate = f" ({drawn / pack.capacity_mah:.1f}C)" if pack.capacity_mah else ""
            return [
                f"the {word} {drawn:.0f} mA{rate} at {volts:.1f} V is over the {limit:.0f} mA that such cells give "
                f"{'in pulses' if word == 'peak of' else 'for long'} (makers' sheets, from memory: your cell's own decides)"
            ]
    return []


def _sag_v(pack: Pack, demand: Demand) -> tuple[float, float]:
    """What the peak costs over the mean through the pack's typical resistance, fresh and at the end."""
    cell, volts = facts(pack), np.array([pack.nominal_v])
    extra_a = (demand.peak_at_ma(pack.nominal_v) - float(demand.current_at_ma(volts)[0])) / 1000
    extra_a = max(extra_a, 0.0)
    return extra_a * pack.cells * cell.fresh_ohm, extra_a * pack.cells * cell.end_ohm


def _habits(pack: Pack, demand: Demand) -> list[str]:
    """What a USB supply may do although the sums come out."""
    if pack.chemistry != "usb-bank":
        return []
    found = []
    least_ma = float(demand.current_at_ma(np.array([pack.nominal_v]))[0])
    if least_ma < BANK_LEAST_MA:
        found.append(
            f"At {least_ma:.0f} mA many power banks take the piece for unplugged and switch off "
            "(typical, from memory): try yours for an hour first."
        )
    peak_ma = demand.peak_at_ma(pack.nominal_v)
    if peak_ma > USB_PORT_MA:
        found.append(
            f"The peak of {peak_ma:.0f} mA is more than the {USB_PORT_MA:.0f} mA that a USB 2.0 port owes (from "
            "memory): the bank's label must name that much."
        )
    return found
