"""What stays in the terminal when the screen goes: the last table, and how to go on with a test that is open."""

from rich.console import Console, ConsoleOptions, RenderResult
from rich.text import Text

from gaugelink.app.scene import Scene
from gaugelink.app.screen import cylinder_table, legible


class Farewell:
    """A rich renderable of what a scene leaves behind: nothing where there was no test."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        scene, plain = self._scene, options.ascii_only
        if not scene.cylinders:
            return
        yield Text.assemble((scene.bench, "bold"), "  ", scene.title)
        yield cylinder_table(scene.cylinders, scene.unit, plain=plain)
        if scene.spread:
            yield Text(legible(scene.spread, plain=plain), style="bold")
        for sentence in (scene.why, scene.stays_open):
            if sentence:
                yield Text(legible(sentence, plain=plain))
