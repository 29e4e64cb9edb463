"""Draws a scene in a terminal: the prompt in large letters, the moving trace, the staircase, the table.

Works at 80 columns, over ssh, and without colour: shapes and words carry everything that colour does.
"""

from collections.abc import Iterator
from enum import IntEnum
from functools import lru_cache
from textwrap import shorten, wrap

import numpy as np
from pyfiglet import Figlet
from rich.console import Console, ConsoleOptions, Group, OverflowMethod, RenderableType, RenderResult
from rich.panel import Panel
from rich.segment import Segment
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
_SMALLEST_ROWS = 3
_PLAIN_FONTS = ("standard", "mini")
"""The same without Unicode."""
_LEAST_TOP_KPA = 300.0
"""The trace shows at least so much, so that the noise of a gauge at rest does not look like pressure."""
_MARKS = {
    CylinderMark.WAITING: ("○", "dim"),
    CylinderMark.NOW: ("▶", "bold yellow"),
    CylinderMark.BEGUN: ("◐", "yellow"),
    CylinderMark.AGREED: ("●", "bold green"),
    CylinderMark.ODD: ("◆", "bold red"),
    CylinderMark.UNSURE: ("◇", "bold yellow"),
    CylinderMark.SKIPPED: ("–", "dim"),
}
_REDO = "r redo"
KEYS = f"{_REDO}  n skip  1-9 cylinder  x strike  u undo  f finish  q quit"
"""The keys of a running bench; a foot switch or presenter sends the same."""
CAUTION_KEYS = "Enter I have read the cautions  q quit"
"""The keys that act before the cautions are acknowledged."""
LEAK_KEYS = "s stop the leak test  q quit"
"""The keys that act while air is in."""
LEAK_CAUTION_KEYS = "Enter I have read the cautions  s stop the leak test  q quit"
_QUESTIONS_SHOWN = 3
_BESIDE_CAUTIONS = 9
"""Lines beside the cautions: the name, the prompt in its frame with the smallest letters, the keys, two to spare."""
_LONGEST_CAUTION = 180
_ELSEWHERE = " ... The fleet file has the rest."


class _Part(IntEnum):
    """What stands on the screen beside the prompt; on a low one the first of these go first."""

    ADDRESS = 0
    STROKES = 1
    TRACE = 2
    LAST = 3
    GAUGES = 4
    SPREAD = 5
    WHY = 6
    KEYS = 7
    TABLE = 8
    NAME = 9
    STAYS = 10
    """Cautions, questions, and what went wrong."""


class Screen:
    """A rich renderable that draws the scene as it is whenever rich asks; it is never higher than the terminal."""

    def __init__(self, scene: Scene, *, keys: str = KEYS) -> None:
        self._scene = scene
        self._keys = keys

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        scene, width, height = self._scene, options.max_width, console.size.height
        above, below = self._above(console, options), self._below(console, options)
        rows = [(part, len(console.render_lines(drawn, options))) for part, drawn in (*above, *below)]
        beneath = _rows_beneath(scene.prompt, width)
        least = _Part.ADDRESS
        while least < _Part.STAYS:
            left = height - sum(count for part, count in rows if part >= least)
            # Larger letters are worth the strokes and the address of the broker, and nothing else.
            if left >= beneath + (_LARGEST_ROWS if least <= _Part.STROKES else _SMALLEST_ROWS):
                break
            least = _Part(least + 1)
        left = height - sum(count for part, count in rows if part >= least)
        shown = [drawn for part, drawn in above if part >= least]
        if scene.prompt:
            shown.append(_prompt(scene, width, left, plain=options.ascii_only))
        shown += [drawn for part, drawn in below if part >= least]
        for line in console.render_lines(Group(*shown), options, pad=False)[:height]:
            yield from line
            yield Segment.line()

    def _above(self, console: Console, options: ConsoleOptions) -> list[tuple[_Part, RenderableType]]:
        scene = self._scene
        name = Text.assemble((scene.bench, "bold"), "  ", scene.title, overflow=_overflow(options), no_wrap=True)
        above: list[tuple[_Part, RenderableType]] = [(_Part.NAME, name)]
        if scene.cautions:
            above.append((_Part.STAYS, self._caution_list(console, options)))
        return above

    def _caution_list(self, console: Console, options: ConsoleOptions) -> RenderableType:
        """The cautions, each of them whole where that leaves room for what is to be done."""
        cautions, plain = self._scene.cautions, options.ascii_only
        whole = _cautions(cautions, plain=plain)
        if len(console.render_lines(whole, options)) <= console.size.height - _BESIDE_CAUTIONS:
            return whole
        cut = (shorten(caution, _LONGEST_CAUTION, placeholder=_ELSEWHERE) for caution in cautions)
        return _cautions(tuple(cut), plain=plain)

    def _below(self, console: Console, options: ConsoleOptions) -> list[tuple[_Part, RenderableType]]:
        """What stands under the prompt."""
        scene, plain, overflow = self._scene, options.ascii_only, _overflow(options)
        # On a terminal of 24 lines the table must still be in sight: the pictures give way, the words do not.
        low = console.size.height < _FULL_LINES
        below: list[tuple[_Part, RenderableType]] = []

        def add(part: _Part, words: str, style: str = "", *, whole: bool = True) -> None:
            text = Text(legible(words, plain=plain), style=style)
            if not whole:
                text.overflow, text.no_wrap = overflow, True
            below.append((part, text))

        # With air in the test stands still, and its questions can wait.
        for number, question in enumerate(() if scene.leak else scene.questions):
            if number == _QUESTIONS_SHOWN:
                add(_Part.STAYS, f"? and {len(scene.questions) - number} more", "bold yellow")
                break
            add(_Part.STAYS, f"? {question}", "bold yellow")
        # Nothing has been measured yet that could be worth the room that the cautions need.
        if not (low and scene.cautions):
            below += self._pictures(options.max_width, plain=plain, low=low)
        if scene.spread:
            add(_Part.SPREAD, scene.spread, "bold")
        if scene.why:
            add(_Part.WHY, scene.why)
        for notice in (*scene.notices, *([scene.refusal] if scene.refusal else [])):
            add(_Part.STAYS, f"! {notice}", "bold red")
        if scene.broker_trouble:
            add(_Part.STAYS, f"! {scene.broker_trouble}", "bold red")
        for name, words in scene.gauges.items():
            add(_Part.GAUGES, f"gauge {name}: {words}", "dim", whole=False)
        if scene.broker:
            add(_Part.ADDRESS, scene.broker, "dim", whole=False)
        if self._keys:
            add(_Part.KEYS, self._keys_now(options.max_width), "dim", whole=False)
        return below

    def _keys_now(self, width: int) -> str:
        scene = self._scene
        if scene.leak:
            return LEAK_CAUTION_KEYS if scene.cautions else LEAK_KEYS
        if scene.cautions:
            return CAUTION_KEYS
        named = self._keys.replace(_REDO, f"{_REDO} {scene.redo}")
        return named if scene.redo and len(named) <= width else self._keys

    def _pictures(self, width: int, *, plain: bool, low: bool) -> Iterator[tuple[_Part, RenderableType]]:
        """The trace, the last cranking and the table; with air in there is nothing but the trace."""
        scene = self._scene
        trace = Group(*_trace(scene, width - 4, plain=plain, low=low))
        framed = trace if low else Panel(trace, title="live pressure", title_align="left", border_style="dim")
        yield _Part.TRACE, framed
        if scene.leak:
            return
        if scene.last_event is not None:
            head, *strokes = _staircase(scene.last_event, scene.unit, width - 4, plain=plain)
            if low:
                yield _Part.LAST, head
                if strokes:
                    yield _Part.STROKES, Group(*(strokes[2:] if len(strokes) > 2 else strokes))
            else:
                whole = Panel(Group(head, *strokes), title="last cranking", title_align="left", border_style="dim")
                yield _Part.LAST, whole
        if scene.cylinders:
            yield _Part.TABLE, cylinder_table(scene.cylinders, scene.unit, plain=plain)


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
    """Rows of the prompt's sentence and of its frame; none without a prompt."""
    return 0 if not sentence else 2 + len(wrap(sentence, width - 4))


def _prompt(scene: Scene, width: int, height: int, *, plain: bool) -> RenderableType:
    """The prompt in a frame: what matters in large letters, and the whole sentence beneath, never cut."""
    style = "bold red" if scene.trouble else "bold"
    sentence = Text(legible(scene.prompt, plain=plain), style="red" if scene.trouble else "")
    room = height - _rows_beneath(scene.prompt, width)
    if not scene.large or room < 1:
        return Panel(sentence, border_style=style)
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
    cylinder = last.cylinder or "on no cylinder"
    speed = "" if last.cranking_rpm is None else f"   {last.cranking_rpm:.0f} rpm"
    head = f"last pull, {cylinder}: {unit.doubt_text(last.peak_kpa, last.peak_u_kpa)}{speed}"
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
    table.add_column(f"mean {unit.value}", justify="right")
    table.add_column(legible("±", plain=plain), justify="right")
    table.add_column("pulls", justify="left")
    table.add_column("")
    for row in rows:
        shape, style = _MARKS[row.mark]
        shape = {"○": ".", "▶": ">", "◐": "~", "●": "*", "◆": "!", "◇": "?", "–": "-"}[shape] if plain else shape
        reading, doubt = _reading(row, unit)
        pulls = "  ".join(_pull(pull, unit) for pull in row.pulls)
        words = legible(", ".join((row.mark.value, *row.remarks)), plain=plain)
        name = f"{row.key} {row.name}" if row.key and row.key != row.name else row.name
        table.add_row(Text(shape, style=style), Text(name, style=style), reading, doubt, pulls, words)
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
