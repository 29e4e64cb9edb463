"""The last words of a service: the table, what is missing, and what to type next."""

from rich.console import Console, ConsoleOptions, RenderResult
from rich.text import Text

from gaugelink.app.scene import Scene
from gaugelink.app.screen import cylinder_table, legible


class Farewell:
    """A rich renderable of what a scene leaves behind: no table where there was no test."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        scene, plain = self._scene, options.ascii_only

        def unbroken(sentence: str) -> Text:
            # A command that is broken over two lines cannot be copied.
            return Text(legible(sentence, plain=plain), no_wrap=True, overflow="ignore")

        for gauge, link in scene.unheard.items():
            near = "" if link.endswith(".") else "; what is near: gaugelink scan"
            yield unbroken(f"Gauge {gauge} was not heard: {link}{near}")
        if not scene.cylinders:
            return
        yield Text.assemble((scene.bench, "bold"), "  ", scene.title)
        yield cylinder_table(scene.cylinders, scene.unit, plain=plain)
        if scene.spread:
            yield Text(legible(scene.spread, plain=plain), style="bold")
        if scene.why:
            yield Text(legible(scene.why, plain=plain))
        if scene.stays_open:
            yield unbroken(scene.stays_open)
        if scene.report:
            yield unbroken(f"Its report: {scene.report}")
