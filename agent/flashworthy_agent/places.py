"""Where the agent keeps its own, and where its settings lie, on each system."""

import os
import sys
from pathlib import Path

if sys.platform == "win32":
    # "KNOWNFOLDERID", FOLDERID_ProgramData: what programs keep for all users
    STATE_FOLDER = Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")) / "flashworthy-agent"
    CONFIG_FILE = STATE_FOLDER / "agent.toml"
elif sys.platform == "darwin":
    # "File System Programming Guide", local domain: what programs keep for all users
    STATE_FOLDER = Path("/Library/Application Support/flashworthy-agent")
    CONFIG_FILE = STATE_FOLDER / "agent.toml"
else:
    STATE_FOLDER = Path("/var/lib/flashworthy-agent")
    CONFIG_FILE = Path("/etc/flashworthy/agent.toml")
