"""What the probes may use, as the options of a command that looks name it."""

import argparse
from dataclasses import replace

from flashworthy_agent.config import Settings
from flashworthy_agent.kept_plan import KeptPlan
from flashworthy_agent.probes.access import Access, access_to
from flashworthy_agent.probes.ups import parse_address
from flashworthy_agent.state import StateFolder


def access_of(
    options: argparse.Namespace, folder: StateFolder | None, settings: Settings
) -> Access:
    return replace(
        access_to(options.root.absolute()),
        kept_folder=folder.kept_folder if folder else None,
        ask_anew=options.fresh,
        ups=tuple(map(parse_address, options.ups or settings.config.ups)),
        look_for=(*options.look_for, *(KeptPlan(folder.folder).look_for if folder else ())),
    )
