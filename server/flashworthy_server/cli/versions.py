"""Ask the version rules, as the server applies them."""

import click

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.values import Unknown
from flashworthy_common.versions import compare, describe, explain, parse_version


@click.group
def versions() -> None:
    """Which of two firmware versions is newer, and how one is read."""


@versions.command("compare")
@click.argument("a")
@click.argument("b")
@click.option("--maker", required=True, help="The machine's maker.")
@click.option("--model", default="", help="The machine's model.")
def compare_two(a: str, b: str, maker: str, model: str) -> None:
    """Say how version A stands to version B, and why."""
    name = _canonical(maker)
    click.echo(f"{compare(a, b, maker=name, model=model).value}")
    click.echo(explain(a, b, maker=name, model=model))


@versions.command("explain")
@click.argument("a")
@click.option("--maker", required=True, help="The machine's maker.")
def explain_one(a: str, maker: str) -> None:
    """Say how version A is read."""
    click.echo(describe(parse_version(a, maker=_canonical(maker))))


def _canonical(maker: str) -> str:
    name = canonical_machine_maker(maker)
    return maker if isinstance(name, Unknown) else name
