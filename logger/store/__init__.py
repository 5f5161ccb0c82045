"""The data file: raw records as the boards sent them, and everything that belongs to them.

`logger.store.store.Store` opens it; `logger.store.rows` has what goes in and comes out.
"""
