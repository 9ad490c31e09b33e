"""The meaning of Flashworthy, shared by agent and server; pure.

Nothing in this package opens a file or a socket, reads the clock or the environment, or logs.
What it needs from outside (the time, a policy, random bytes) is passed in.

- ``errors``: every domain failure
- ``values``: a value or the reason why it is missing, and how values become JSON and back
- ``report``: what was seen of one machine at one moment
- ``identity``: what speaks for two reports being of the same machine
- ``smbios``: the raw SMBIOS table, read
- ``makers``, ``versions``: names and firmware versions in canonical form, and their order
- ``releases``, ``release_rules``, ``patterns``: what makers published, for which models
- ``reasons``, ``weighing``, ``ssvc``, ``kev``, ``symptoms``: why an update is worth its risk
- ``paths``, ``ordering``: by which flashes to the target, and whether there is a way back
- ``exceptions``: where a site decides otherwise, until a date
- ``need``: all of this for one combination
- ``policy``: a site's limits, each with unit, default and source
- ``confirmations``, ``entered``: a person's word about what no agent sees, or where there is none
- ``readiness``: the verdict; ``plan``: what a machine needs to form it without a network
- ``aftermath``: what came of a flash; ``attention``: what somebody should look at
- ``present``: how it all reads
"""
