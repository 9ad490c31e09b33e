"""Visits: what one stop at a place takes, foreseen from what is known of its machines.

- ``foresee``: the verdict of a machine as it will probably be at a later time
- ``work``: what one machine takes, step by step, in minutes
- ``order``: in which order one person works through several machines
- ``lists``: what to bring, what to do before, whom to tell
- ``progress``: what came of each machine, by its own reports, and how the visit stands
- ``message``: the text for the people concerned

Pure: times are aware and given, nothing is stored.
"""
