"""Reports that were carried by hand."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from flashworthy_common.report import Source
from flashworthy_server.answers import ReceiptSchema
from flashworthy_server.cli.files import read_json
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.errors import CarriedReportsError, InvalidReportError
from flashworthy_server.services.ingest import import_carried
from flashworthy_server.site import Site
from flashworthy_server.wire import read_report


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
    data = read_json(file, limit_bytes)
    if not isinstance(data, list):
        return [_Carried(str(file), data)]
    return [_Carried(f"{file}[{index}]", each) for index, each in enumerate(data)]
