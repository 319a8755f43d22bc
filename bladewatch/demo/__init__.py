"""An invented shop whose true wear is known, and the minute that shows it. Everything in it is invented.

- ``metal``      metals and parts, as they truly are
- ``edge``       how an edge truly wears, and what that does to its energy
- ``troubles``   what goes wrong in shops, each with a strength
- ``setting``    one shop: its size, its form of wear, its troubles
- ``shop``       the shop at work: what its saws tell
- ``blades``     its plates: racks, changes, the van
- ``records``    what its people write down
- ``truth``      what is true and nobody there knows
- ``wire``       what happens to messages on their way
- ``papers``     the shop as files: log, ledger, configuration, truth
- ``hardness``   how hard the shop is for plain rules
- ``broker``     an embedded broker, in a process of its own
- ``clock``      the shop's time, faster than ours
- ``play``       a log published live
- ``day``        a day on its way to the store, over MQTT or from its file
- ``stage``      the screen of the day
- ``score``      estimates beside the truth
- ``minute``     the demo itself

Nothing here imports ``models``: a good score is not the program's own equation read back.
"""
