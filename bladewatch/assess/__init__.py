"""Ledger, strokes and models joined to one assessment a saw and spindle.

- ``cycles``      what a grind cycle has cut, from checkpoints and the strokes after them
- ``training``    ended cycles to a wear fit, stored or made
- ``recent``      the work of the last four weeks by hour, from roll-ups
- ``life``        wear now and the budget left, on the scale that the blade type supports
- ``assessment``  the value that every screen, report and answer shows
- ``moment``      all of it at one moment, from what was known then
- ``memory``      what a run over moments of the past keeps from one to the next
- ``question``    what only a person can settle, and how an answer finds its question again
- ``known``       the shop as questions need it, and the traces of a stop
- ``changes``     changes of blade that no row accounts for; ``doubts`` the other questions; ``asking`` all of them, and
                  the rows that an answer writes
- ``changeover``  a change about to be written down; ``fitting`` whether a plate belongs on a spindle;
                  ``spares`` which sharp plate each saw is given
- ``crib``        stock by type; ``batches`` out and back; ``inspection``, ``counting``, ``history`` of plates
"""
