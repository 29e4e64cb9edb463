"""Says what was taken from a notebook, what stands otherwise now, and what is to be known of it."""

from pathlib import Path

import typer

from gaugelink.app.notebooks import Imported
from gaugelink.counting import counted


def tell_imported(taken: Imported, journal: Path) -> None:
    """Print it."""
    typer.echo(f"{counted(taken.tests, 'test')} and {counted(taken.jobs, 'job')} taken into {journal}.")
    if taken.untaken:
        typer.echo(
            f"{counted(len(taken.untaken), 'test')} not taken in: the record has one of that day that cannot be read, "
            "and may be the same. Keep the notebook, and import it again once that test can be read:"
        )
        for untaken in taken.untaken:
            typer.echo(f"  {untaken}")
    if taken.tests_longer:
        were = "was" if taken.tests_longer == 1 else "were"
        typer.echo(f"{counted(taken.tests_longer, 'test')} {were} there with fewer readings and got the new ones.")
    if taken.changes:
        put_right = f"{counted(taken.tests_put_right, 'test')} and {counted(taken.jobs_put_right, 'job')}"
        typer.echo(f"{put_right} put right; the record keeps what it said before:")
        for change in taken.changes:
            typer.echo(f"  {change}")
    if taken.tests_put_right:
        typer.echo("If nothing was wrong and those were further pulls, write all pulls of the day into one notebook.")
    if taken.assumed:
        typer.echo("Of these jobs the order of the rows does not tell whether the test of their day was before:")
        for assumed in taken.assumed:
            typer.echo(f"  {assumed}")
        typer.echo(
            "A row of its own right above or below those of the test tells it; or strike the job and tell it with its "
            "time, `gaugelink job MACHINE JOB --on`."
        )
    if taken.counts:
        typer.echo("Counts that go back; they are kept:")
        for count in taken.counts:
            typer.echo(f"  {count}")
        typer.echo("If one is a slip, put it right in its notebook and import that again.")
    if taken.absent:
        typer.echo("Not in this notebook, but in the record from one; nothing is taken out, it stays and counts:")
        for absent in taken.absent:
            typer.echo(f"  {absent}")
    if taken.tests_before or taken.jobs_before:
        before = f"{counted(taken.tests_before, 'test')} and {counted(taken.jobs_before, 'job')}"
        typer.echo(f"{before} of this notebook were there already and are left as they are.")
