"""The blade ledger, from rows to what they mean.

- ``events``    a row as it was written; ``rows`` in and out of CSV
- ``standing``  which rows hold: corrections, two witnesses of one event, rows without effect
- ``fleet``     what they mean: plate > tip set > grind cycle > mount, and records that cannot be true
- ``fold``      row by row to a fleet, every change in a ``journal``, so that it can be undone
- ``book``      the ledger as it grows: a late row is put in its place, what came after is applied again
"""
