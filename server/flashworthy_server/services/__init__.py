"""The use cases: open a transaction, load, ask the pure code, store.

No Flask and no SQL in here. Every function takes the `Site` it works on first.
"""
