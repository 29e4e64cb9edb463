"""Draws a scene in a terminal: the prompt in large letters, the moving trace, the staircase, the table.

Works at 80 columns, over ssh, and without colour: shapes and words carry everything that colour does.
"""

from collections.abc import Iterator
from functools import lru_cache
from textwrap import wrap

import numpy as np
from pyfiglet import Figlet
from rich.console import Console, ConsoleOptions, Group, OverflowMethod, RenderableType, RenderResult
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from gaugelink.app.scene import TRACE_S, CylinderMark, CylinderRow, LastEvent, Pull, Scene
from gaugelink.engine.units import PressureUnit

_BLOCKS = " ▁▂▃▄▅▆▇█"
_TRACE_ROWS = 4
_NOW_COLUMNS = 18
"""Room for the pressure now where it stands beside the trace."""
_FULL_LINES = 36
_FONTS = ("ansi_regular", "future")
"""Letters of five and of three rows, the largest first; a word of nine letters fits the largest at 80 columns."""
_LARGEST_ROWS = 5
_PLAIN_FONTS = ("standard", "mini")
"""The same without Unicode."""
_LEAST_TOP_KPA = 300.0
"""The trace shows at least so much, so that the noise of a gauge at rest does not look like pressure."""
_MARKS = {
    CylinderMark.WAITING: ("○", "dim"),
    CylinderMark.NOW: ("▶", "bold yellow"),
    CylinderMark.AGREED: ("●", "bold green"),
    CylinderMark.ODD: ("◆", "bold red"),
    CylinderMark.SKIPPED: ("–", "dim"),
}
KEYS = "r redo  n skip  1-9 cylinder  x strike  u undo  f finish  Enter heard  q quit"
"""The keys of a running bench; a foot switch or presenter sends the same."""
CAUTION_KEYS = "Enter I have read the cautions  q quit"
"""The keys that act before the cautions are acknowledged."""


class Screen:
    """A rich renderable that draws the scene as it is whenever rich asks."""

    def __init__(self, scene: Scene, *, keys: str = KEYS) -> None:
        self._scene = scene
        self._keys = keys

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width, height, plain = options.max_width, console.size.height, options.ascii_only
        above = self._above(options)
        for brief in (False, True):
            below = list(self._below(console, options, brief=brief))
            left = height - len(console.render_lines(Group(*above, *below), options))
            if left >= _LARGEST_ROWS + _rows_beneath(self._scene.prompt, width):
                break
        yield from above
        yield _prompt(self._scene, width, left, plain=plain)
        yield from below

    def _above(self, options: ConsoleOptions) -> list[RenderableType]:
        scene = self._scene
        name = Text.assemble((scene.bench, "bold"), "  ", scene.title, overflow=_overflow(options), no_wrap=True)
        return [name, _cautions(scene.cautions, plain=options.ascii_only)] if scene.cautions else [name]

    def _below(self, console: Console, options: ConsoleOptions, *, brief: bool) -> Iterator[RenderableType]:
        """What stands under the prompt; when `brief`, without what a mechanic at the engine can do without."""
        scene, plain, overflow = self._scene, options.ascii_only, _overflow(options)
        # On a terminal of 24 lines the table must still be in sight: the pictures give way, the words do not.
        low = console.size.height < _FULL_LINES
        # Nothing has been measured yet that could be worth the room that the cautions need.
        if not (low and scene.cautions):
            yield from self._pictures(options.max_width, plain=plain, low=low, brief=brief)
        if scene.spread:
            yield Text(legible(scene.spread, plain=plain), style="bold")
        if scene.why:
            yield Text(legible(scene.why, plain=plain))
        for notice in (*scene.notices, *([scene.refusal] if scene.refusal else [])):
            yield Text(legible(f"! {notice}", plain=plain), style="bold red")
        for name, words in scene.gauges.items():
            yield Text(f"gauge {name}: {words}", style="dim", overflow=overflow, no_wrap=True)
        if scene.broker and not brief:
            yield Text(scene.broker, style="dim", overflow=overflow, no_wrap=True)
        if self._keys:
            keys = CAUTION_KEYS if scene.cautions else self._keys
            yield Text(keys, style="dim", overflow=overflow, no_wrap=True)

    def _pictures(self, width: int, *, plain: bool, low: bool, brief: bool) -> Iterator[RenderableType]:
        """The trace, the last cranking and the table."""
        scene = self._scene
        trace = Group(*_trace(scene, width - 4, plain=plain, low=low))
        yield trace if low else Panel(trace, title="live pressure", title_align="left", border_style="dim")
        if scene.last_event is not None:
            steps = _staircase(scene.last_event, scene.unit, width - 4, plain=plain)
            if brief:
                yield steps[0]
            elif low:
                yield from (steps[0], *steps[3:]) if len(steps) > 3 else steps
            else:
                yield Panel(Group(*steps), title="last cranking", title_align="left", border_style="dim")
        if scene.cylinders:
            yield cylinder_table(scene.cylinders, scene.unit, plain=plain)


def legible(text: str, *, plain: bool) -> str:
    """A text as a terminal without Unicode can show it."""
    return text.replace("±", "+/-").encode("ascii", "replace").decode() if plain else text


def _overflow(options: ConsoleOptions) -> OverflowMethod:
    return "crop" if options.ascii_only else "ellipsis"


@lru_cache(maxsize=256)
def _letters(words: str, font: str) -> tuple[str, ...]:
    drawn: str = Figlet(font=font, width=1000).renderText(words)
    return tuple(line.rstrip() for line in drawn.splitlines() if line.strip())


def _large(words: str, width: int, height: int, *, plain: bool) -> tuple[str, ...]:
    """The words in the largest letters that `width` columns and `height` rows hold, else in the smallest drawn ones.

    Words that no letters can draw within the width, or that the fonts have no letters for, stay as they are.
    """
    if not words.isascii():
        return (words,)
    drawn = [_letters(words, font) for font in (_PLAIN_FONTS if plain else _FONTS)]
    narrow = [lines for lines in drawn if max(map(len, lines), default=0) <= width]
    fitting = [lines for lines in narrow if len(lines) <= height] or narrow[-1:]
    return fitting[0] if fitting else (words,)


def _rows_beneath(sentence: str, width: int) -> int:
    """Rows of the prompt's sentence and of its frame."""
    return 2 + len(wrap(sentence, width - 4))


def _prompt(scene: Scene, width: int, height: int, *, plain: bool) -> RenderableType:
    """The prompt in a frame: what matters in large letters, and the whole sentence beneath, never cut."""
    style = "bold red" if scene.trouble else "bold"
    sentence = Text(legible(scene.prompt, plain=plain), style="red" if scene.trouble else "")
    if not scene.large:
        return Panel(sentence, border_style=style)
    room = height - _rows_beneath(scene.prompt, width)
    drawn = "\n".join(_large(scene.large, width - 4, room, plain=plain))
    return Panel(Group(Text(drawn, style=style, no_wrap=True), sentence), border_style=style)


def _cautions(cautions: tuple[str, ...], *, plain: bool) -> RenderableType:
    lines = Table.grid(padding=(0, 1, 0, 0))
    lines.add_column(style="bold yellow")
    lines.add_column()
    for number, caution in enumerate(cautions, start=1):
        lines.add_row(str(number), Text(legible(caution, plain=plain)))
    return Panel(lines, title="cautions", title_align="left", border_style="bold yellow")


def _trace(scene: Scene, width: int, *, plain: bool, low: bool = False) -> list[Text]:
    """The moving trace with the pressure now; on a low screen both in one line."""
    if len(scene.trace) < 2:
        return [Text("waiting for the gauge", style="dim")]
    points = np.array(scene.trace)
    now = f"now {scene.unit.text(float(points[-1, 1]))}"
    beside = f"{now:<{_NOW_COLUMNS}}" if low else ""
    columns = width - len(beside)
    last_s = points[-1, 0]
    column = ((points[:, 0] - last_s + TRACE_S) / TRACE_S * columns).astype(int).clip(0, columns - 1)
    highest = np.zeros(columns)
    np.maximum.at(highest, column, points[:, 1])
    top = max(float(highest.max()), _LEAST_TOP_KPA)
    rows = 1 if plain or low else _TRACE_ROWS
    levels = highest / top * rows * 8
    lines = []
    for row in reversed(range(rows)):
        part = (levels - row * 8).clip(0, 8).astype(int)
        drawn = "".join(" .:-=+*#@"[p] if plain else _BLOCKS[p] for p in part)
        lines.append(Text.assemble((beside, "bold"), (drawn, "cyan")))
    if not low:
        # A bare number beside an empty trace would read like a pressure.
        scale = f"full height of the trace: {scene.unit.text(top)}"
        lines.append(Text.assemble((scale, "dim"), (f"{now:>{width - len(scale)}}", "bold")))
    return lines


def _staircase(last: LastEvent, unit: PressureUnit, width: int, *, plain: bool) -> list[Text]:
    cylinder = last.cylinder or "not yet given to a cylinder"
    speed = "" if last.cranking_rpm is None else f"   {last.cranking_rpm:.0f} rpm"
    head = f"{cylinder}: {unit.doubt_text(last.peak_kpa, last.peak_u_kpa)}{speed}"
    lines = [Text(legible(head, plain=plain), style="bold")]
    shown = last.stroke_kpa[-12:]
    if shown:
        top = max(shown)
        each = max(3, min(6, (width - 2) // len(shown) - 1))
        if plain:
            lines.append(Text("  ".join(f"{unit.from_kpa(s):.{unit.decimals}f}" for s in shown)))
        else:
            for row in (1, 0):
                parts = [_BLOCKS[int(min(8.0, max(0.0, s / top * 16 - row * 8)))] * each for s in shown]
                lines.append(Text(" ".join(parts), style="cyan"))
            lines.append(Text(" ".join(f"{unit.from_kpa(s):^{each}.{unit.decimals}f}"[:each] for s in shown)))
    if last.remarks:
        lines.append(Text(legible(", ".join(last.remarks), plain=plain), style="yellow"))
    return lines


def cylinder_table(rows: list[CylinderRow], unit: PressureUnit, *, plain: bool = False) -> Table:
    """The table of a test: one line a cylinder, in their physical order. Pulls that do not count are in brackets."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("")
    table.add_column("cylinder")
    table.add_column(unit.value, justify="right")
    table.add_column(legible("±", plain=plain), justify="right")
    table.add_column("pulls", justify="left")
    table.add_column("")
    for row in rows:
        shape, style = _MARKS[row.mark]
        shape = {"○": ".", "▶": ">", "●": "*", "◆": "!", "–": "-"}[shape] if plain else shape
        reading, doubt = _reading(row, unit)
        pulls = "  ".join(_pull(pull, unit) for pull in row.pulls)
        words = legible(", ".join((row.mark.value, *row.remarks)), plain=plain)
        table.add_row(Text(shape, style=style), Text(row.name, style=style), reading, doubt, pulls, words)
    return table


def _reading(row: CylinderRow, unit: PressureUnit) -> tuple[str, str]:
    """The reading and its expanded uncertainty, each empty where there is none."""
    if row.reading_kpa is None:
        return "", ""
    if row.reading_u_kpa is None:
        return f"{unit.from_kpa(row.reading_kpa):.{unit.decimals}f}", ""
    return unit.with_doubt(row.reading_kpa, row.reading_u_kpa)


def _pull(pull: Pull, unit: PressureUnit) -> str:
    number = f"{unit.from_kpa(pull.peak_kpa):.{unit.decimals}f}"
    return number if pull.counted else f"({number})"
