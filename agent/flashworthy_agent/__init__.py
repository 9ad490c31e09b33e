"""The agent: looks at one machine, reports what it saw, and shows the verdict on the spot.

- ``cli``, ``commands``, ``config``: the command line, a module for each command, and the settings
- ``collect``: runs the probes and makes a report of what they saw
- ``spool``, ``state``: what the agent keeps on disk
- ``enrolment``, ``same_machine``: joining a server, and noticing another machine below
- ``transport``, ``enrolled``: the server's answers, and what each means for a report
- ``schedule``, ``pace``: what the timer calls, and when it is time to report
- ``probes``: one question each, asked of the machine

It opens no listening socket and takes no commands from afar.
"""

__version__ = "0.1.0"
