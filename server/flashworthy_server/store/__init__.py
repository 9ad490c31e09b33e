"""Every query of the server; rows become domain values here and nowhere else.

Functions take the connection of an open transaction and never commit: where a transaction begins
and ends is the use case's business (`flashworthy_server.services`).

- ``credentials``: administrators' tokens, machines' tokens, enrolment codes
- ``machines``, ``listing``: what a machine is now; one, or many by filters and pages
- ``identities``: who it is
- ``attentions``: what asks for attention
- ``history``: reports as they came, and firmware changes
- ``combinations``: what depends only on the combination
- ``knowledge``: releases and reviews
- ``counts``: the numbers of the overview
"""
