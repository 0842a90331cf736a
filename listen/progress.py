"""A progress bar for work that takes longer than a breath, on stderr and only for a person."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(name: str, quiet: bool) -> Iterator[Callable[[float], None]]:
    """Show how many seconds of a recording have been gone through."""
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda seconds: None
        return
    columns = SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn()
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(f"listening to {name}")

        def show(seconds: float) -> None:
            bar.update(task, description=f"listening to {name}: {seconds:.0f} s gone through")

        yield show
