"""Debian's Chromium, driven by playwright, and what it complains of."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

PROGRAM = shutil.which("chromium")
DESK, PHONE = 1280, 390  # pixels wide
HEIGHT = 844
# It asks nobody but the server: no updates, no suggestions, no sign-in of its own.
_QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
_NOTE_SHIFTS = """
    window.shifts = [];
    new PerformanceObserver((list) => {
        for (const each of list.getEntries())
            window.shifts.push(each.sources.map((one) => one.node?.outerHTML?.slice(0, 80)));
    }).observe({type: "layout-shift", buffered: true});
"""
_WAIT_TO_BE_PAINTED = """
    () => new Promise((tell) => {
        requestAnimationFrame(() => requestAnimationFrame(() => tell(window.shifts)));
    })
"""


@contextmanager
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=PROGRAM, args=list(_QUIET))
        yield browser
        browser.close()


@dataclass
class Window:
    """One window with its own cookies; notes what a user should never see."""

    context: BrowserContext
    page: Page
    host: str
    complaints: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.page.on("console", lambda said: self.complaints.append(f"console: {said.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(f"script: {error}"))
        self.page.on("request", self._note_request)

    def open(self, path: str) -> None:
        self.page.goto(f"http://{self.host}{path}")

    def press(self, label: str) -> None:
        self.page.get_by_role("button", name=label, exact=True).first.click()

    def follow(self, label: str) -> None:
        self.page.get_by_role("link", name=label, exact=True).first.click()

    def type(self, label: str, text: str) -> None:
        self.page.get_by_label(label).locator("visible=true").first.fill(text)

    @property
    def words(self) -> str:
        return " ".join(self.page.locator("body").inner_text().split())

    @property
    def overhang(self) -> int:
        """How many pixels the page is wider than the window."""
        return int(
            self.page.evaluate("document.documentElement.scrollWidth - window.innerWidth") or 0
        )

    def shifts(self) -> list[Any]:
        """What moved after it was shown first."""
        return list(self.page.evaluate(_WAIT_TO_BE_PAINTED))

    def _note_request(self, request: Any) -> None:
        if urlsplit(request.url).netloc != self.host:
            self.complaints.append(f"asks another host: {request.url}")


@contextmanager
def window(
    browser: Browser, address: str, width: int = DESK, *, state: Any = None, **options: Any
) -> Iterator[Window]:
    """A window `width` pixels wide, with the cookies of `state`; the rest is playwright's."""
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHT}, storage_state=state, **options
    )
    if options.get("java_script_enabled", True):
        context.add_init_script(_NOTE_SHIFTS)
    context.set_default_timeout(60_000)  # ms
    yield Window(context, context.new_page(), urlsplit(address).netloc)
    context.close()
