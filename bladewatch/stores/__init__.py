"""Where facts are kept.

- ``protocols``  what a store owes: ``Signals`` (samples, strokes, roll-ups) and ``Books`` (everything people and
  models write)
- ``sqlite``     the one file that opens the database; one transaction over both
- ``schema.sql`` the tables of the signals, commented
- ``samples``, ``strokes``, ``hours``  the signals in SQLite
- ``blocks``     how an hour of fast samples is packed
- ``tables``, ``books``  the books, written once in SQLAlchemy Core
- ``migrations`` from each schema version to the next
"""
