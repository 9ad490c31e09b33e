"""What one machine answered to every raw question, written down.

A capture is replayed on any platform: the probes of its own platform read it in place of a machine,
through the same parsers. So it proves the probes of a machine that is not here, and it is the whole
of a bug report.

- Every question is asked once, and what is written down is what the probes go by.
- Passwords and keys are taken out before anything is written down: each platform knows where its
  own stand (`Platform.withheld`), and those within addresses are taken out everywhere.
- It is JSON that a person can read before sending it. Bytes that are text stand there as text.
"""

import base64
import errno
import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from flashworthy_agent import __version__
from flashworthy_agent.errors import CaptureError, UpsAddressError
from flashworthy_agent.probes.access import Access, access_through
from flashworthy_agent.probes.inputs import KINDS, Answer, Inputs, Question
from flashworthy_agent.probes.ups import parse_address
from flashworthy_common.errors import MalformedValueError
from flashworthy_common.records import record
from flashworthy_common.values import from_json, to_json

CAPTURE_VERSION = 1
_CREDENTIALS = re.compile(rb"(?<=://)[^/\s@]+:[^/\s@]*(?=@)")  # RFC 3986 §3.2.1
_NOT_HELD = OSError(errno.ENODATA, "the capture does not hold it")


@record
class Head:
    """What a capture says of itself."""

    platform: str  # as `sys.platform` has it
    taken_at: datetime
    agent_version: str
    is_live: bool  # of a running system; else of its files alone
    ids_replaced: bool
    made_up: bool = False  # written by a developer in the documented shapes: no machine said so
    ups: tuple[str, ...] = ()  # what was asked for by name
    look_for: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Capture:
    """The answers of one machine; an `OSError` stands for the reason why there is none."""

    head: Head
    answers: dict[Question, Answer | OSError]

    @property
    def is_live(self) -> bool:
        return self.head.is_live

    def ask(self, kind: str, *about: str | int, **limits: float) -> Answer:
        answer = self.answers.get((kind, *about), _NOT_HELD)
        if isinstance(answer, OSError):
            raise answer
        return answer


class Recorder:
    """Stands before other inputs and writes down what they answer."""

    def __init__(self, inputs: Inputs, withheld: Callable[[Question, Answer], Answer]) -> None:
        self._inputs, self._withheld = inputs, withheld
        self.is_live = inputs.is_live
        self.answers: dict[Question, Answer | OSError] = {}
        self.asked: list[Question] = []  # in the order of asking, again and again

    def ask(self, kind: str, *about: str | int, **limits: float) -> Answer:
        question = (kind, *about)
        self.asked.append(question)
        if question not in self.answers:
            self.answers[question] = self._answer(question, limits)
        answer = self.answers[question]
        if isinstance(answer, OSError):
            raise answer
        return answer

    def _answer(self, question: Question, limits: dict[str, float]) -> Answer | OSError:
        kind, *about = question
        try:
            answer = self._inputs.ask(str(kind), *about, **limits)
        except OSError as error:
            return error
        return each_text(self._withheld(question, answer), _without_credentials)


def _without_credentials(octets: bytes) -> bytes:
    return _CREDENTIALS.sub(b"withheld", octets)


def head_of(access: Access, platform: str, taken_at: datetime) -> Head:
    return Head(
        platform=platform,
        taken_at=taken_at,
        agent_version=__version__,
        is_live=access.is_live,
        ids_replaced=False,
        ups=tuple(map(str, access.ups)),
        look_for=access.look_for,
    )


def replaying(capture: Capture) -> Access:
    """Access to what the capture holds, at the moment at which it was taken."""
    return replace(
        access_through(capture),
        now=lambda: capture.head.taken_at,
        ups=tuple(map(parse_address, capture.head.ups)),
        look_for=capture.head.look_for,
    )


def each_text(answer: Answer, change: Callable[[bytes], bytes]) -> Answer:
    """The answer with every text and all bytes in it changed; numbers and flags stay."""
    if isinstance(answer, bytes):
        return change(answer)
    if isinstance(answer, str):
        return change(answer.encode("utf-8", "surrogatepass")).decode("utf-8", "surrogatepass")
    if isinstance(answer, list):
        return [each_text(item, change) for item in answer]
    return answer


# ---- as a file --------------------------------------------------------------------------------


def write_capture(capture: Capture) -> bytes:
    """One question and its answer a line, so that a person can look through them."""
    head = json.dumps({"capture": CAPTURE_VERSION, **to_json(capture.head)})
    lines = ",\n".join(json.dumps(_written(*item)) for item in capture.answers.items())
    return f'{head[:-1]}, "inputs": [\n{lines}\n]}}\n'.encode("ascii")


def _written(question: Question, answer: Answer | OSError) -> dict[str, Any]:
    if isinstance(answer, OSError):
        name = errno.errorcode.get(answer.errno or 0, "EIO")
        return {"asked": list(question), "no answer": [name, str(answer.strerror or answer)]}
    return {"asked": list(question), "answer": _value_to_json(answer)}


def _value_to_json(answer: Answer) -> Any:
    if isinstance(answer, list):
        return [_value_to_json(item) for item in answer]
    if not isinstance(answer, bytes):
        return answer
    try:
        text = answer.decode()
    except UnicodeDecodeError:
        text = "\0"
    is_text = all(letter.isprintable() or letter in "\t\r\n" for letter in text)
    return {"text": text} if is_text else {"base64": base64.b64encode(answer).decode()}


def read_capture(content: bytes) -> Capture:
    """
    Raises:
        CaptureError: `content` is no capture of a version that is known here; names the field.
    """
    try:
        data = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise CaptureError(f"expected a capture, which is JSON: {error}") from error
    if not isinstance(data, dict) or data.get("capture") != CAPTURE_VERSION:
        raise CaptureError(f"expected a capture of version {CAPTURE_VERSION}, got another file")
    inputs = data.get("inputs")
    if not isinstance(inputs, list):
        raise CaptureError("inputs: expected a list of questions and answers")
    return Capture(_read_head(data), dict(map(_read_input, range(len(inputs)), inputs)))


def _read_head(data: dict[str, Any]) -> Head:
    try:
        head = from_json(Head, data)
        for address in head.ups:
            parse_address(address)
    except (MalformedValueError, UpsAddressError) as error:
        raise CaptureError(str(error)) from error
    return head


def _read_input(number: int, item: Any) -> tuple[Question, Answer | OSError]:
    name = f"inputs[{number}]"
    asked = item.get("asked") if isinstance(item, dict) else None
    if not (isinstance(asked, list) and asked and all(isinstance(one, str | int) for one in asked)):
        raise CaptureError(f"{name}.asked: expected a question, got {str(item)[:80]!r}")
    return tuple(asked), _read_answer(name, asked[0], item)


def _read_answer(name: str, kind: str | int, item: dict[str, Any]) -> Answer | OSError:
    if "no answer" in item:
        reason = item["no answer"]
        if not (isinstance(reason, list) and len(reason) == 2 and has_shape(reason, [str])):
            raise CaptureError(f"{name}.no answer: expected a code and words, got {reason!r:.80}")
        return OSError(getattr(errno, reason[0], errno.EIO), reason[1])
    answer = _value_from_json(name, item.get("answer"))
    if not has_shape(answer, KINDS.get(str(kind), ())):
        raise CaptureError(f"{name}.answer: expected one to {kind!r}, got {answer!r:.80}")
    return answer


def _value_from_json(name: str, value: Any) -> Answer:
    if isinstance(value, list):
        return [_value_from_json(name, item) for item in value]
    if not isinstance(value, dict):
        return value
    text, encoded = value.get("text"), value.get("base64")
    try:
        if isinstance(text, str):
            return text.encode()
        return base64.b64decode(str(encoded), validate=True)
    except ValueError as error:
        raise CaptureError(f"{name}.answer: expected text or base64, got {value!r:.80}") from error


def has_shape(answer: Answer, shape: Any) -> bool:
    """Whether an answer is of a shape of `KINDS`."""
    if isinstance(shape, list):
        return isinstance(answer, list) and all(has_shape(item, shape[0]) for item in answer)
    if isinstance(shape, tuple):
        is_list = isinstance(answer, list) and len(answer) == len(shape)
        return is_list and all(map(has_shape, answer, shape))
    return isinstance(answer, shape)
