"""Ledger, strokes and models joined to one assessment a saw and spindle.

- ``cycles``      what a grind cycle has cut, from checkpoints and the strokes after them
- ``training``    ended cycles to a wear fit, stored or made
- ``recent``      the work of the last four weeks by hour, from roll-ups
- ``life``        wear now and the budget left, on the scale that the blade type supports
- ``assessment``  the value that every screen, report and answer shows
- ``moment``      all of it at one moment, from what was known then
"""
