"""Tables and lines for people at a terminal.

What machines say of themselves is printed without control characters: a host name must not be
able to move the cursor or change the screen.
"""

import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

import click
from tabulate import tabulate

from flashworthy_server.services.overview import Counted

_TITLE_COLUMNS, _LINE_COLUMNS = 13, 100
NOTHING = "-"  # for what is not known


def printable(value: Any) -> str:
    if value is None or value == "":
        return NOTHING
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in str(value))


def print_lines(lines: Iterable[str]) -> None:
    for line in lines:
        click.echo("".join(each if each.isprintable() else "\ufffd" for each in line))


def print_table(headers: Sequence[str], rows: Iterable[Sequence[Any]], none: str) -> None:
    """A table, or the line `none` where it would have no rows."""
    cells = [[printable(value) for value in row] for row in rows]
    if not cells:
        click.echo(none)
        return
    table = tabulate(cells, headers=headers, tablefmt="simple", disable_numparse=True)
    click.echo("\n".join(line.rstrip() for line in table.splitlines()))


def print_counts(title: str, counted: Counted) -> None:
    """Counts, such as ``outcome     12 leave, 3 prepare``; zeroes are left out."""
    parts = [f"{count} {printable(name)}" for name, count in counted.items() if count]
    text = f"{title:<{_TITLE_COLUMNS}}{', '.join(parts) or 'none'}"
    indent = " " * _TITLE_COLUMNS
    click.echo(textwrap.fill(text, _LINE_COLUMNS, subsequent_indent=indent))


def show_progress(what: str, done: int, total: int) -> None:
    """How far long work has come, on one line that is written over; nothing where nobody looks."""
    if sys.stderr.isatty():
        end = "\n" if done >= total else ""
        click.echo(f"\r{what}: {done} of {total}{end}", err=True, nl=False)
