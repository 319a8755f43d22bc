"""bladewatch: how worn each saw blade is, when it must go to the grinder, and what blades cost.

The map, from the wire to the screen:

- ``collectors``            bytes in, facts out (a package of its own)
- ``bladewatch.stores``     keeps the facts: signals and books, one transaction
- ``bladewatch.ledger``     blade events folded to plates, tip sets, grind cycles and mounts
- ``bladewatch.strokes``    counter readings to strokes, cuts and areas; ``bladewatch.power`` what they took
- ``bladewatch.pace``       what a spindle cannot have stroked by its own pace: a counter set by hand
- ``models``                arrays in, results out: wear, energy, forecast (a package of its own)
- ``bladewatch.assess``     all of it joined to one ``Assessment`` a saw and spindle
- ``bladewatch.alerts``     assessments to the few lines that need a person
- ``bladewatch.pipeline``   the program on one page: ``ingest`` and ``review``
- ``bladewatch.exporting``  every fact in plain files
- ``bladewatch.screens``    assessments to words, rulers and tables
- ``bladewatch.service``    the only place where configuration meets stores, collectors and the clock
- ``bladewatch.forwarding`` what was stored to a shared store; ``bladewatch.copying`` a shop from one store to another
- ``bladewatch.living``     the collector's life; ``bladewatch.looking`` at the blades again and again
- ``bladewatch.watching``   the living screen's
- ``bladewatch.demo``       an invented shop whose truth is known, and the minute that shows it
- ``bladewatch.cli``        commands: parse, one call, render, exit code

bladewatch watches. It commands no machine, and nothing it prints is fit for an interlock.
"""

__version__ = "0.1.0"
