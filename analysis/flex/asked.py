"""What a flex test is asked: the target on the bench, how sure, and what a bench bend is worth."""

from collections.abc import Sequence

from analysis.flex.bend import (
    BENDS_PER_WEARING,
    Acceleration,
    acceleration,
    assumed_exponent,
    bending_diameter_mm,
    fitted_exponent,
)
from analysis.flex.words import cycles_words, target_words
from analysis.life.data import Specimen
from logger.base.errors import BenchError

# Bends that must be survived and the same in words.
Target = tuple[float, str]


def stated_target(
    cycles: float | None, wearings: float | None, place: str | None, per_wearing: float | None
) -> Target | None:
    """Bends as worn and in words; None if no target was given."""
    if cycles is not None and wearings is not None:
        raise BenchError("Both --cycles and --wearings were given.", next_step="leave one away.")
    if cycles is not None:
        return cycles, target_words(cycles, None)
    if wearings is None:
        if place or per_wearing is not None:
            raise BenchError(
                "How many evenings must it survive?",
                next_step="add --wearings, e.g. --wearings 12.",
            )
        return None
    if wearings <= 0:
        raise BenchError(
            f"{wearings:g} evenings are no target.",
            next_step="give the evenings it must survive, e.g. --wearings 12.",
        )
    each = per_wearing if per_wearing is not None else BENDS_PER_WEARING.get(place or "")
    if each is None or each <= 0:
        raise BenchError(
            "How many bends is one evening?",
            next_step="add --at elbow (shoulder, hip), or your own count with --per-wearing 400.",
        )
    return wearings * each, target_words(wearings * each, wearings)


def stated_acceleration(
    specimens: Sequence[Specimen],
    wire: str | None,
    bench_radius_mm: float | None,
    worn_radius_mm: float | None,
    exponent: float | None,
    coverage: float,
) -> Acceleration | None:
    """What a bend on the bench is worth as worn; None where no radius as worn was given."""
    if worn_radius_mm is None:
        given = {"--wire": wire, "--bench-radius": bench_radius_mm, "--exponent": exponent}
        idle = [option for option, value in given.items() if value is not None]
        if idle:
            raise BenchError(
                f"Without the radius as worn nothing comes of {' and '.join(idle)}.",
                next_step="add --worn-radius with the millimetres, or leave them away.",
            )
        return None
    radii = sorted({item.bend_radius_mm for item in specimens if item.bend_radius_mm is not None})
    if bench_radius_mm is not None and radii and bench_radius_mm not in radii:
        raise BenchError(
            f"The table and the option name different bend radii: {' and '.join(f'{r:g} mm' for r in radii)} in column "
            f"bend_radius_mm, --bench-radius {bench_radius_mm:g} mm.",
            next_step="leave --bench-radius away, or correct the one that is wrong.",
        )
    if bench_radius_mm is None and radii:
        bench_radius_mm = radii[0]
    if wire is None or bench_radius_mm is None:
        raise BenchError(
            "The worn radius alone says nothing.",
            next_step='add --wire "24 stranded" and --bench-radius with the millimetres on the bench.',
        )
    diameter_mm = bending_diameter_mm(wire)
    fitted = fitted_exponent(specimens, diameter_mm, coverage) if exponent is None else None
    return acceleration(
        diameter_mm, bench_radius_mm, worn_radius_mm, fitted or assumed_exponent(exponent)
    )


def on_bench(target: Target | None, speed: Acceleration | None) -> tuple[float | None, str]:
    """The target in bends on the bench, by the cautious end of what one of them is worth."""
    if target is None:
        return None, ""
    cycles, words = target
    if speed is not None and speed.factor.value is not None:
        cycles /= speed.cautious
        words += (
            f", which is {cycles_words(cycles) if cycles >= 1 else 'less than one'} on the bench"
        )
    return cycles, words
