"""Made-up file trees of a machine, for an agent that reads below another root."""

from pathlib import Path

from flashworthy_agent.probes.files import Files


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


class LiveTree(Files):
    """A made-up tree that passes for the running system's own files."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.is_live = True

    def _place(self, path: str) -> Path:
        return self._root / path.lstrip("/")
