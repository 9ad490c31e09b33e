"""A browser without script: gets pages, fills in their forms, sends them, follows redirects."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

VOID = ("input", "meta", "link", "img", "br", "hr")


@dataclass
class Form:
    action: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)  # as they stand in the page
    buttons: dict[str, dict[str, str]] = field(default_factory=dict)  # what each sends, by label

    @property
    def label(self) -> str:
        """Of its first button."""
        return next(iter(self.buttons), "")


class _Reader(HTMLParser):
    """Forms, and the text that a person sees."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.links: list[str] = []
        self.words: list[str] = []
        self.tags: list[tuple[str, dict]] = []
        self._form: Form | None = None
        self._select = ""
        self._area = ""  # the text area that is open
        self._button: dict[str, str] | None = None  # what the open one sends
        self._label = ""

    def handle_starttag(self, tag: str, attributes: list) -> None:
        given = dict(attributes)
        self.tags.append((tag, given))
        if tag == "a":
            self.links.append(given.get("href", ""))
        if tag == "form":
            self._form = Form(given["action"], given["method"])
            self.forms.append(self._form)
        elif self._form is not None:
            self._read_field(tag, given)
        if tag == "button":
            self._label = ""
            self._button = {given["name"]: given["value"]} if "name" in given else {}

    def _read_field(self, tag: str, given: dict) -> None:
        is_unchecked = given.get("type") == "checkbox" and "checked" not in given
        if tag == "input" and not is_unchecked:
            self._form.fields[given["name"]] = given.get("value", "")
        elif tag == "select":
            self._select = given["name"]
        elif tag == "textarea":
            self._area = given["name"]
            self._form.fields[self._area] = ""
        elif tag == "option" and (self._select not in self._form.fields or "selected" in given):
            self._form.fields[self._select] = given.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self._area = ""
        if tag == "button" and self._form is not None and self._button is not None:
            self._form.buttons[self._label.strip()] = self._button
            self._button = None
        if tag == "form":
            self._form = None

    def handle_data(self, data: str) -> None:
        self.words += data.split()
        if self._form is not None and self._area:
            self._form.fields[self._area] += data
        if self._button is not None:
            self._label += data


@dataclass
class Page:
    """What came back, and what is on it."""

    response: TestResponse

    def __post_init__(self) -> None:
        reader = _Reader()
        reader.feed(self.response.text)
        self.response.close()
        self.forms, self.links, self.tags = reader.forms, reader.links, reader.tags
        self.text = " ".join(reader.words)

    @property
    def status(self) -> int:
        return self.response.status_code

    def form(self, label: str) -> Form:
        """The form with a button that says `label`."""
        found = [each for each in self.forms if label in each.buttons]
        known = [list(each.buttons) for each in self.forms]
        assert found, f"no form {label!r} among {known} on the page"
        return found[0]


class Browser:
    """One browser with its cookie; `address` is where it stands."""

    def __init__(self, client: FlaskClient, address: str = "127.0.0.1") -> None:
        self.client, self.address = client, address

    def open(self, path: str, **headers: str) -> Page:
        return Page(self._ask("GET", path, None, headers))

    def send(self, page: Page, label: str, **typed: str) -> Page:
        """Fill in a form and press its button; the page that the browser ends at."""
        form = page.form(label)
        return self.post(form.action, {**form.fields, **form.buttons[label], **typed})

    def post(self, path: str, fields: dict[str, str], **headers: str) -> Page:
        """Send fields, and follow where the answer leads."""
        response = self._ask("POST", path, fields, headers)
        while response.status_code in (302, 303):
            response = self._ask("GET", response.headers["Location"], None, {})
        return Page(response)

    def _ask(self, method: str, path: str, fields: dict | None, headers: dict) -> TestResponse:
        environment = {"REMOTE_ADDR": self.address}
        return self.client.open(
            path, method=method, data=fields, headers=headers, environ_overrides=environment
        )
