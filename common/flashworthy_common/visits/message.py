"""The text for the people concerned: what happens, when, and what they are asked to do.

It names machines and no one who uses them, and nothing of why or of what was found: whoever reads
it may pass it on.
"""

from collections.abc import Sequence
from dataclasses import dataclass

SUBJECT = "Your computer is looked after: please save your work"


@dataclass(frozen=True, slots=True, kw_only=True)
class Announcement:
    """One visit as it is told to the people concerned; times in words, in the site's zone."""

    place: str
    window: str  # such as "Monday 4 May 2026, 10:00 to 11:30 (Europe/London)"
    technician: str
    machines: Sequence[str]
    longest_minutes: int  # that one of them cannot be used


def message_text(told: Announcement) -> str:
    """Plain text of lines to be copied or sent."""
    where = f" at {told.place}" if told.place else ""
    lines = [
        "Hello,",
        "",
        f"{told.technician} comes to look after these computers{where}:",
        "",
        *(f"    {name}" for name in told.machines),
        "",
        f"When: {told.window}",
        f"How long: each up to about {told.longest_minutes} minutes, one after the other",
        "",
        "What happens: the built-in software that starts the computer (its firmware) is renewed.",
        "It restarts, perhaps more than once, and the screen may stay dark for minutes.",
        "",
        "Before that, please",
        "  - save your work, close all programs and sign out;",
        "  - leave the computer plugged in, a portable one with its own adapter, lid open;",
        "  - take out sticks and cards that you need.",
        "",
        "While it runs, please do not use it, switch it off, close it or pull a plug.",
        "Should the time not suit you, or should the computer be needed for people's safety,",
        "please say so now.",
        "",
        f"Thank you. {told.technician}",
    ]
    return "\n".join(lines) + "\n"
