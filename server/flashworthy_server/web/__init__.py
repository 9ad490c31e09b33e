"""What the API and the pages share, before either of them has its say.

- ``context``: the site that a request is about, and who asks
- ``access``: who may do what, in one table
"""
