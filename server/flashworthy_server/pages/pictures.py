"""Pictures of numbers, as SVG that the stylesheet draws; the numbers stand beside them in a table.

- Every text goes through `_words`: the library that writes the elements escapes nothing.
- A picture carries no colour and no style of its own: ink on paper, in the dark, or in print.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import svg
from markupsafe import Markup, escape

WIDTH = 440  # units; a phone shows three for four pixels, so that its words can be read
_MOST_LABEL = 16  # characters of a label in a picture


@dataclass(frozen=True, slots=True)
class Stay:
    """How long a machine ran one version."""

    version_text: str
    since: datetime


def line_in_time(stays: Sequence[Stay], now: datetime, label: str) -> Markup:
    """The versions of a machine from left to right, each from when it was first seen."""
    first = min((stay.since for stay in stays), default=now)
    span = max((now - first).total_seconds(), 1.0)
    places = [5 + (WIDTH - 110) * (stay.since - first).total_seconds() / span for stay in stays]
    parts: list[svg.Element] = [_line(5, 44, WIDTH - 5, 44, "thick")]
    for number, (stay, x) in enumerate(zip(stays, places, strict=True)):
        above = number % 2 == 0  # neighbours do not write over each other
        parts += [
            _line(x, 36, x, 52, "thick"),
            _words(x, 14 if above else 72, stay.version_text, "strong"),
            _words(x, 29 if above else 87, f"{stay.since:%Y-%m-%d}"),
        ]
    return _picture(92, label, parts)


def days(percents: Mapping[date, float], first: date, count: int, label: str) -> Markup:
    """A bar for each day, as high as a percentage; nothing where none is known."""
    step = WIDTH / count
    parts: list[svg.Element] = [_line(0, 80, WIDTH, 80), _line(0, 0.5, WIDTH, 0.5, "faint")]
    for day, percent in percents.items():
        x, height = step * (day - first).days, 0.8 * percent
        parts.append(svg.Rect(x=_n(x), y=_n(80 - height), width=_n(step - 3), height=_n(height)))
    parts += [_words(0, 96, f"{first:%Y-%m-%d}"), _words(WIDTH, 96, "today", anchor="end")]
    return _picture(100, label, parts)


def bars(counts: Mapping[str, int], label: str) -> Markup:
    """A bar for each name, to the right, as long as its count."""
    most = max(counts.values(), default=0) or 1
    parts: list[svg.Element] = []
    for number, (name, count) in enumerate(counts.items()):
        y, length = 26 * number, (WIDTH - 150) * count / most
        parts += [
            _words(0, y + 16, name),
            svg.Rect(x=90, y=y + 4, width=_n(max(length, 1)), height=16),
            _words(96 + length, y + 16, f"{count:,}", "strong"),
        ]
    return _picture(26 * max(len(counts), 1), label, parts)


def courses(series: Mapping[str, Sequence[int]], label: str) -> Markup:
    """A line for each name, its counts from left to right, all to one scale."""
    most = max((max(counts, default=0) for counts in series.values()), default=0) or 1
    parts: list[svg.Element] = []
    for number, (name, counts) in enumerate(series.items()):
        bottom = 44 * number + 38
        parts += [_words(0, bottom, name), _line(90, bottom + 1, WIDTH - 50, bottom + 1, "faint")]
        if counts:
            parts.append(_course(counts, most, bottom))
            parts.append(_words(WIDTH - 44, bottom, f"{counts[-1]:,}", "strong"))
    return _picture(44 * max(len(series), 1), label, parts)


def _course(counts: Sequence[int], most: int, bottom: float) -> svg.Element:
    step = (WIDTH - 140) / max(len(counts) - 1, 1)
    points = [
        f"{_n(90 + step * at)},{_n(bottom - 32 * count / most)}" for at, count in enumerate(counts)
    ]
    if len(points) == 1:
        points.append(f"{WIDTH - 50},{points[0].partition(',')[2]}")
    return svg.Polyline(class_=["course"], extra={"points": " ".join(points)})


def _picture(height: float, label: str, parts: Iterable[svg.Element]) -> Markup:
    drawn = svg.SVG(
        viewBox=svg.ViewBoxSpec(0, 0, WIDTH, height),
        class_=["picture"],
        elements=list(parts),
        extra={"role": "img", "aria-label": str(escape(label))},
    )
    return Markup(str(drawn))  # noqa: S704  (every text in it was escaped by `_words`)


def _line(x1: float, y1: float, x2: float, y2: float, kind: str = "thin") -> svg.Element:
    return svg.Line(x1=_n(x1), y1=_n(y1), x2=_n(x2), y2=_n(y2), class_=[kind])


def _words(
    x: float, y: float, text: str, kind: str = "plain", anchor: str = "start"
) -> svg.Element:
    shown = text if len(text) <= _MOST_LABEL else f"{text[: _MOST_LABEL - 1]}…"
    return svg.Text(
        x=_n(x), y=_n(y), class_=[kind], text=str(escape(shown)), extra={"text-anchor": anchor}
    )


def _n(number: float) -> float:
    """A coordinate, as short as it can be seen."""
    return round(number, 1)
