"""Record: releases from a file, reports that were carried by hand."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from flashworthy_common.reasons import highest
from flashworthy_common.releases import Release
from flashworthy_common.report import Source
from flashworthy_server.answers import ImportedSchema, ReceiptSchema, ReleaseSchema
from flashworthy_server.cli.frame import FAILURE, json_option, print_json, who, with_site
from flashworthy_server.cli.json_rows import lines_of_rows
from flashworthy_server.cli.text import print_table, printable
from flashworthy_server.errors import (
    BadRowsError,
    CarriedReportsError,
    FileError,
    InvalidReportError,
    UnreadableBodyError,
)
from flashworthy_server.services import releases as release_service
from flashworthy_server.services.ingest import import_carried
from flashworthy_server.site import Site
from flashworthy_server.wire import parse_json, read_report


@click.group
def releases() -> None:
    """What makers published, and what people compared."""


@releases.command("import")
@with_site
@click.argument("file", type=click.Path(path_type=Path))
@json_option
def import_releases(site: Site, file: Path, as_json: bool) -> None:
    """Record FILE, a JSON document {"releases": [...], "reviews": [...]}: all of it or nothing."""
    text, data = _load(file, site.config.import_body_bytes)
    try:
        imported = release_service.import_document(site, who(), data)
    except BadRowsError as error:
        _print_bad_rows(file, text, error)
        click.get_current_context().exit(FAILURE)
    answer = ImportedSchema().dump(imported)
    if as_json:
        print_json(answer)
        return
    for name, tally in answer.items():
        click.echo(f"{name}: " + ", ".join(f"{count} {word}" for word, count in tally.items()))


@releases.command("list")
@with_site
@click.option("--maker")
@json_option
def list_releases(site: Site, maker: str | None, as_json: bool) -> None:
    """List the recorded releases."""
    found = release_service.all_releases(site, maker=maker)
    if as_json:
        print_json(ReleaseSchema(many=True).dump(found))
        return
    print_table(
        ("maker", "version", "of", "models", "state", "priority"),
        [
            (
                each.maker,
                each.release.version_text,
                each.release.released_on,
                ", ".join(each.release.models),
                each.release.state.value,
                _priority(each.release),
            )
            for each in found
        ],
        none="no release is recorded",
    )


@click.group
def reports() -> None:
    """Reports of machines that cannot send them."""


@reports.command("import")
@with_site
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@json_option
def import_reports(site: Site, files: tuple[Path, ...], as_json: bool) -> None:
    """Keep the reports in FILES, each with one report or a JSON list of them: all, or none."""
    carried = [each for file in files for each in _carried_in(file, site.config.import_body_bytes)]
    wrong = [line for each in carried for line in each.faults(site.config.report_body_bytes)]
    if wrong:
        raise CarriedReportsError("nothing was imported\n" + "\n".join(wrong))
    receipts = [import_carried(site, who(), read_report(each.data), each.body) for each in carried]
    if as_json:
        print_json(ReceiptSchema(many=True).dump(receipts))
        return
    for each, receipt in zip(carried, receipts, strict=True):
        done = "kept" if receipt.stored else "was here already"
        click.echo(f"{each.name}: {done}, machine #{receipt.machine_id}")


@dataclass(frozen=True, slots=True)
class _Carried:
    """One report of a file."""

    name: str  # of the file, with the position where it holds a list
    data: Any

    @property
    def body(self) -> bytes:
        return json.dumps(self.data).encode()

    def faults(self, limit_bytes: int) -> list[str]:
        if len(self.body) > limit_bytes:
            return [f"  {self.name}: expected at most {limit_bytes} bytes, got {len(self.body)}"]
        try:
            source = read_report(self.data).report.source
        except InvalidReportError as error:
            return [f"  {self.name}: {error}"]
        if source is not Source.FILE:
            return [f"  {self.name}: source: expected {Source.FILE.value}, got {source.value}"]
        return []


def _carried_in(file: Path, limit_bytes: int) -> list[_Carried]:
    _, data = _load(file, limit_bytes)
    if not isinstance(data, list):
        return [_Carried(str(file), data)]
    return [_Carried(f"{file}[{index}]", each) for index, each in enumerate(data)]


def _load(file: Path, limit_bytes: int) -> tuple[str, Any]:
    """Text and content of a JSON file."""
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise FileError(f"cannot read {file}: {error.strerror}") from error
    if len(raw) > limit_bytes:
        raise FileError(f"{file}: expected at most {limit_bytes} bytes, got {len(raw)}")
    try:
        text = raw.decode()
        return text, parse_json(text)
    except UnicodeDecodeError as error:
        raise FileError(f"{file} is not UTF-8: byte {error.start + 1} is wrong") from error
    except UnreadableBodyError as error:
        raise FileError(f"{file}: {error}") from error


def _print_bad_rows(file: Path, text: str, error: BadRowsError) -> None:
    lines = lines_of_rows(text)
    click.echo(f"{file}: {error}", err=True)
    for row in error.rows:
        where = f"line {lines[row.position]}, " if row.position in lines else ""
        click.echo(f"  {where}{printable(f'{row.position}: {row.reason}')}", err=True)


def _priority(release: Release) -> str:
    priority = highest(release.reasons)
    return priority.value if priority else ""
