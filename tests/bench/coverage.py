"""Are the limits what they promise? `python -m tests.bench.coverage` from the repository's top.

Blanks on simulated strips go from strip to call as a photo's do, under one condition a row: slope and curvature of the
baseline at the mark, shading at the window's end, blur, noise, texture, scale, compression. Printed is the share of
blanks above their limit of blank at the chance that the reader promises for a mark and at chances that a thousand
blanks can test better, and the share of lines of the faintest height that counts that are called absent. A share is
marked where no more than one row in a thousand would stray so far by chance (Clopper and Pearson, Biometrika 26, 1934,
404, by SciPy).
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache

import click
import cv2

from fixtures.strips import SimulatedStrip, as_strip
from reader.decide.call import MarkCall, call_marks, false_call_per_mark, limits, off_place
from reader.measure.mark import MarkMeasurement, measure_marks
from reader.measure.profile import extract_profile
from reader.settings.values import Layout, Thresholds, load_layout, load_thresholds
from tests.bench.changed import chosen

CHANCES = (0.05, 0.01)  # beside the promised one
SURPRISE = 0.001
USUAL = (
    SimulatedStrip(px_per_mm=14.0)
    .with_texture(0.003)
    .with_baseline(0.0, 0.01, 0.01)
    .with_blur(0.1)
    .with_noise(sd_code=0.9, correlation_px=0.5)
    .with_file(jpeg_quality=90)
    .with_mark("reference", position_mm=13.0, height=0.3)
)
INDICATOR_MM = 6.0
END_MM = -0.3  # where the rim's shadow has its middle, upstream of the membrane's end


def front(step: float, softness_mm: float, off_mm: float = 0.0) -> SimulatedStrip:
    """Uneven clearing or a soft shade whose steepest place lies at the mark or beside it."""
    return USUAL.with_wetting(
        front_mm=INDICATOR_MM + off_mm, step=step, softness_mm=softness_mm, colour="neutral"
    )


def end_shade(depth: float, softness_mm: float) -> SimulatedStrip:
    """Shade from the rim that reaches into the window from its upstream end."""
    return USUAL.with_shadow(
        depth=depth, at_mm=(USUAL.breadth_mm / 2, END_MM), angle_deg=180.0, softness_mm=softness_mm
    )


ROWS: dict[str, SimulatedStrip] = {
    "usual": USUAL,
    **{f"slope {9 * s:.2f} from end to end": USUAL.with_baseline(0.0, s * 4.5) for s in (0.01, 0.03, 0.06)},
    **{f"curvature, quadratic {c:g}": USUAL.with_baseline(0.0, 0.0, c) for c in (0.03, 0.1)},
    **{f"front {h:g}, sigma 2 mm, at the mark": front(h, 2.0) for h in (0.01, 0.03)},
    **{f"front {h:g}, sigma 1 mm, at the mark": front(h, 1.0) for h in (0.01, 0.03)},
    **{f"front {h:g}, sigma 1 mm, 1 mm beside": front(h, 1.0, 1.0) for h in (0.01, 0.03)},
    **{f"front {h:g}, sigma 1 mm, 3 mm beside": front(h, 1.0, 3.0) for h in (0.03,)},
    **{f"end shade {d:g}, sigma {s:g} mm": end_shade(d, s) for d in (0.2, 0.5) for s in (0.8, 2.0)},
    **{f"blur {b:g} mm": USUAL.with_blur(b) for b in (0.05, 0.2, 0.4)},
    **{f"noise {n:g} codes": USUAL.with_noise(sd_code=n, correlation_px=0.5) for n in (0.3, 2.0, 4.0)},
    **{
        f"noise correlated over {c:g} px": USUAL.with_noise(sd_code=2.0, correlation_px=c) for c in (1.5, 4.0)
    },
    **{f"texture {t:g}": USUAL.with_texture(t) for t in (0.0, 0.006, 0.012)},
    "coarse texture, 0.4 mm": USUAL.with_texture(0.003, grain_mm=0.4),
    "streaks": USUAL.with_streaks(n=4, sd=0.01),
    "specks": USUAL.with_speck(at_mm=(2.0, 5.8)).with_speck(at_mm=(3.5, 9.0)),
    **{f"JPEG {q}": USUAL.with_file(jpeg_quality=q) for q in (75, 50, 30, 20, 10)},
    **{f"{s:g} px per mm": replace(USUAL, px_per_mm=s) for s in (8.0, 20.0)},
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """What happened to the marks of a row's plates; `above` are counts at the promised chance and at CHANCES."""

    blanks: int = 0
    unseen: int = 0  # blanks without a height
    above: tuple[int, ...] = (0,) * (1 + len(CHANCES))
    called_present: int = 0
    doubtful: int = 0
    lines: int = 0
    lines_absent: int = 0

    def __add__(self, other: "Coverage") -> "Coverage":
        return Coverage(
            blanks=self.blanks + other.blanks,
            unseen=self.unseen + other.unseen,
            above=tuple(a + b for a, b in zip(self.above, other.above, strict=True)),
            called_present=self.called_present + other.called_present,
            doubtful=self.doubtful + other.doubtful,
            lines=self.lines + other.lines,
            lines_absent=self.lines_absent + other.lines_absent,
        )


@cache
def _settings() -> tuple[Layout, Thresholds]:
    return load_layout("comb"), load_thresholds()


def promised_chances() -> tuple[float, ...]:
    """Chance of a false call on a mark: the promised one first, then CHANCES."""
    layout, thresholds = _settings()
    return (false_call_per_mark(thresholds.false_calls_per_plate, 2 * len(layout.window)), *CHANCES)


def read_strips(simulated: SimulatedStrip, first_seed: int) -> list[tuple[MarkMeasurement, MarkCall]]:
    """The indicators of one plate whose windows are specimens of their own."""
    layout, thresholds = _settings()
    strips = [as_strip(simulated.with_seed(first_seed + k), window) for k, window in enumerate(layout.window)]
    fits = measure_marks([extract_profile(strip) for strip in strips], layout)
    calls = [call for call in call_marks(fits, layout, thresholds) if call.mark == "indicator"]
    return list(zip((fit.indicator for fit in fits), calls, strict=True))


def is_above(measured: MarkMeasurement, chance: float) -> bool:
    """Whether a height is above its limit of blank at a chance of a false call."""
    layout, thresholds = _settings()
    if measured.height is None or measured.standard_error is None:
        return False
    held = limits(
        standard_error=measured.standard_error,
        blank_mean=measured.blank_mean,
        blank_sd=measured.blank_sd,
        blank_n=measured.blank_n,
        off_mm=off_place(measured, layout.marks.indicator),
        thresholds=thresholds,
        false_call=chance,
    )
    return measured.height > held.needed


def one_plate(row: str, plate: int, seed: int, lines: bool) -> Coverage:
    """The coverage of one plate of blanks, and of one of faint lines."""
    strip, first = ROWS[row], (seed * 1_000_000 + plate) * 6
    chances = promised_chances()
    blanks = read_strips(strip, first)
    of_lines = []
    if lines:
        faintest = _settings()[1].faintest_line
        of_lines = read_strips(
            strip.with_mark("indicator", position_mm=INDICATOR_MM, height=faintest), first + 500_000
        )
    return Coverage(
        blanks=len(blanks),
        unseen=sum(measured.height is None for measured, _ in blanks),
        above=tuple(sum(is_above(measured, chance) for measured, _ in blanks) for chance in chances),
        called_present=sum(call.call == "present" for _, call in blanks),
        doubtful=sum(call.call == "doubtful" for _, call in blanks),
        lines=len(of_lines),
        lines_absent=sum(call.call == "absent" for _, call in of_lines),
    )


def coverage(row: str, n: int, *, seed: int = 1, lines: bool = True) -> Coverage:
    """The coverage of at least n blanks of a row, in this process."""
    plates = -(-n // len(_settings()[0].window))
    return sum((one_plate(row, plate, seed, lines) for plate in range(plates)), Coverage())


def surprising(count: int, n: int, chance: float) -> bool:
    """Whether so many of n are more than a chance explains."""
    from scipy.stats import binom

    return bool(n and binom.sf(count - 1, n, chance) < SURPRISE)


def table_line(row: str, found: Coverage) -> str:
    """One row of the table; + marks a share that is too large for its chance."""
    cells = []
    for count, chance in zip(found.above, promised_chances(), strict=True):
        cells.append(_cell(count, found.blanks, chance))
    cells.append(f"{found.called_present:5d} ")
    cells.append(f"{100 * found.doubtful / found.blanks:7.2f}%")
    cells.append(_cell(found.lines_absent, found.lines, _settings()[1].missed_lines))
    return f"{row:38}{found.blanks:6d}" + " ".join(cells)


def _cell(count: int, n: int, chance: float) -> str:
    if not n:
        return f"{'-':>14} "
    return f"{count:5d}{100 * count / n:8.2f}%{'+' if surprising(count, n, chance) else ' '}"


def _task(task: tuple[str, int, int, bool]) -> Coverage:
    return one_plate(*task)


def _one_thread() -> None:
    cv2.setNumThreads(1)


@click.command()
@click.option("--n", default=1200, show_default=True, help="Blanks a row.")
@click.option("--rows", "pattern", default="", help="Only rows that this regular expression finds.")
@click.option("--seed", default=1, show_default=True)
@click.option("--jobs", default=2, show_default=True)
@click.option("--lines/--no-lines", default=True, show_default=True, help="Lines of the faintest height too.")
def main(n: int, pattern: str, seed: int, jobs: int, lines: bool) -> None:
    """Send blanks and faint lines through the reader, and print how often its limits are passed."""
    layout, thresholds = _settings()
    shares = " ".join(f"{f'above {100 * c:.3g} %':>15}" for c in promised_chances())
    click.echo(
        f"{'row':38}{'blanks':>6}{shares} {'present':>6} {'doubtful':>8} "
        f"{f'line absent {100 * thresholds.missed_lines:g} %':>15}"
    )
    plates = -(-n // len(layout.window))
    with ProcessPoolExecutor(jobs, initializer=_one_thread) as pool:
        for row in chosen(ROWS, pattern):
            tasks = [(row, plate, seed, lines) for plate in range(plates)]
            click.echo(table_line(row, sum(pool.map(_task, tasks, chunksize=10), Coverage())))


if __name__ == "__main__":
    main()
