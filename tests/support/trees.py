"""Made-up file trees of a machine, and others who answer what a probe asks."""

from pathlib import Path

from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.inputs import Answer, FilesBelow, Question
from flashworthy_agent.probes.programs import Programs
from flashworthy_agent.probes.ups_server import conversation

SERIAL = "/sys/class/dmi/id/product_serial"


def grow(root: Path, files: dict[str, str | bytes]) -> Path:
    """Write `files`, by absolute path as the machine sees them, below `root`."""
    for name, content in files.items():
        path = root / name.lstrip("/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return root


def supply(name: str, **attributes: str | int) -> dict[str, str | bytes]:
    """One entry of the power_supply class, an attribute per file, as the kernel writes them."""
    folder = f"/sys/class/power_supply/{name}"
    return {f"{folder}/{key}": f"{value}\n" for key, value in attributes.items()}


def files_below(root: Path) -> Files:
    return Files(FilesBelow(root))


class LiveTree(FilesBelow):
    """A made-up tree that passes for the running system's own files.

    Args:
        answers: by question, what else that system answers. What it would not answer otherwise:
            nothing is set in its environment, and whoever asks is not root.
    """

    is_live = True

    def __init__(self, root: Path, answers: dict[Question, Answer | OSError] | None = None) -> None:
        super().__init__(root)
        self.answers = {("is root",): False, ("architecture",): "x86_64", **(answers or {})}

    def ask(self, kind, *about, **limits):
        if (kind, *about) in self.answers:
            answer = self.answers[kind, *about]
            if isinstance(answer, OSError):
                raise answer
            return answer
        if kind == "environment":
            return None
        return conversation(*about, **limits) if kind == "UPS" else super().ask(kind, *about)

    def _place(self, path: str) -> Path:
        return self._root / path.lstrip("/")


class NoPrograms(Programs):
    """Stands for the programs of a system that does not run."""

    def __init__(self) -> None:
        super().__init__(FilesBelow(Path("/nowhere")))

    def has(self, name):
        return False

    def run(self, arguments, timeout_seconds):
        return ANOTHER_ROOT
