"""Packages: firmware files that are kept for the way back."""

from pathlib import Path

import click

from flashworthy_server.answers import PackageSchema, without_package_answer
from flashworthy_server.cli.frame import FAILURE, NUMBER, json_option, print_json, who, with_site
from flashworthy_server.cli.releases import print_bad_rows
from flashworthy_server.cli.text import print_table, printable, show_progress
from flashworthy_server.errors import BadRowsError, FileError
from flashworthy_server.package_folder import pieces_of
from flashworthy_server.services import packages as service
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.services.packages import Offered
from flashworthy_server.site import Site

MOST_ROWS = 1000


@click.group
def packages() -> None:
    """Kept firmware files; they are never unpacked or run here."""


@packages.command("keep")
@with_site
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--maker", required=True)
@click.option("--model", "models", required=True, multiple=True, help="May be repeated.")
@click.option("--version", required=True, help="The version that the file holds.")
@click.option("--board-version", "board_versions", multiple=True, help="Only for these.")
@click.option("--source", required=True, help="Where it was fetched, or who read the board out.")
@click.option("--published-digest", default="", help="By its maker, such as sha-256:9f86d0...")
@click.option("--machine", help="Of a board dump: the only machine that it is for.")
@json_option
def keep(
    site: Site,
    file: Path,
    as_json: bool,
    *,
    maker: str,
    models: tuple[str, ...],
    version: str,
    board_versions: tuple[str, ...],
    source: str,
    published_digest: str,
    machine: str | None,
) -> None:
    """Keep FILE: a maker's package, or with --machine a read-out of its board."""
    offered = Offered(
        package={
            "machine_maker": maker,
            "models": list(models),
            "version_text": version,
            "board_versions": list(board_versions),
        },
        file_name=file.name,
        source=source,
        published_digest=published_digest,
        machine_id=None if machine is None else machine_id_of(site, machine),
    )
    try:
        with file.open("rb") as opened:
            size = file.stat().st_size
            kept = service.keep(site, who(), offered, pieces_of(opened), expected_bytes=size)
    except OSError as error:
        raise FileError(f"cannot read {file}: {error.strerror}") from error
    except BadRowsError as error:
        print_bad_rows(f"{file}: ", error)
        click.get_current_context().exit(FAILURE)
    if as_json:
        print_json(PackageSchema().dump(kept))
    else:
        click.echo(f"package #{kept.id}: {kept.size_bytes} bytes, sha-256:{kept.sha256}")


@packages.command("list")
@with_site
@click.option("--maker")
@json_option
def list_packages(site: Site, maker: str | None, as_json: bool) -> None:
    """List what is kept."""
    found, _ = service.list_packages(site, maker=maker, after=0, count=MOST_ROWS)
    if as_json:
        print_json(PackageSchema(many=True).dump(found))
        return
    print_table(
        ("#", "maker", "models", "version", "for", "bytes", "sha-256", "state"),
        [
            (
                each.id,
                each.maker,
                ", ".join(each.package.models),
                each.package.version_text,
                "every machine" if each.machine_id is None else f"machine #{each.machine_id} only",
                each.size_bytes,
                each.sha256[:12],
                each.damage or "intact",
            )
            for each in found
        ],
        none="no package is kept",
    )


@packages.command("missing")
@with_site
@json_option
def missing(site: Site, as_json: bool) -> None:
    """List what machines run of which no package is kept, most machines first."""
    found = service.without_package(site, MOST_ROWS)
    if as_json:
        print_json([without_package_answer(each) for each in found])
        return
    print_table(
        ("machines", "maker", "model", "board", "runs"),
        [(each.machines, *each.combination.key[:3], each.combination.key[4]) for each in found],
        none="a package of everything that runs is kept",
    )


@packages.command("verify")
@with_site
@json_option
def verify(site: Site, as_json: bool) -> None:
    """Read every kept file through its digest; fails where one is no longer what it was."""
    found = service.verify_all(site, show_progress)
    if as_json:
        unknown = [str(path) for path in found.unknown_files]
        damaged = dict(found.damaged)
        print_json({"intact": found.intact, "damaged": damaged, "unknown_files": unknown})
    else:
        click.echo(f"{found.intact} intact, {len(found.damaged)} damaged")
        for sha256, damage in found.damaged:
            click.echo(f"  {sha256}: {damage}; keep it again from its source")
        for path in found.unknown_files:
            click.echo(printable(f"  {path} belongs to nothing and may be removed"))
    if found.damaged:
        click.get_current_context().exit(FAILURE)


@packages.command("remove")
@with_site
@click.argument("number", type=NUMBER)
@click.option("--reason", required=True, help="Why it is kept no longer.")
@click.option("--anyway", is_flag=True, help="You know what rests on it.")
def remove(site: Site, number: int, reason: str, anyway: bool) -> None:
    """Keep package NUMBER no longer, nor its file."""
    service.remove(site, who(), number, reason, anyway=anyway)
    click.echo(f"package #{number} is removed")


@packages.command("fetch")
@with_site
@click.argument("number", type=NUMBER)
@click.argument("file", type=click.Path(path_type=Path))
def fetch(site: Site, number: int, file: Path) -> None:
    """Write package NUMBER to FILE, found intact just now."""
    package, content = service.open_package(site, number)
    try:
        with content, file.open("xb") as opened:
            for piece in pieces_of(content):
                opened.write(piece)
    except OSError as error:
        raise FileError(f"cannot write {file}: {error.strerror}") from error
    click.echo(f"{file}: {package.size_bytes} bytes, sha-256:{package.sha256}")
