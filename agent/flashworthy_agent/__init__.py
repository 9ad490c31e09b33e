"""The agent: looks at one machine, reports what it saw, and shows the verdict on the spot.

- ``cli``: the commands
- ``collect``: runs the probes and makes a report of what they saw
- ``spool``, ``state``: what the agent keeps on disk
- ``transport``, ``delivery``: the server's answers, and what each means for a report
- ``probes``: one question each, asked of the machine

It opens no listening socket and takes no commands from afar.
"""

__version__ = "0.1.0"
