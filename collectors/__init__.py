"""Bytes in, facts out: what saws, gateways and files say, decoded and checked, never interpreted.

Which module to read:

- ``facts``     the values everything else is about: samples, strokes, blade notes, checks, waveforms,
  rejections, and the ``Batch`` that carries them to the store
- ``signals``   the catalogue: name, unit, accepted units and plausible range of each measured quantity
- ``topics``    the topic of a message taken apart
- ``instants``  text or epoch milliseconds to UTC microseconds
- ``fields``    one value of a message checked against what it may be
- ``payloads``  a message to facts and rejections
- ``sequence``  the publisher's running numbers, and which of them never came
- ``mapping``   a shop's own topics, fields and units, declared and not programmed
- ``mqtt``      the broker: connect, subscribe, hand over, acknowledge after the caller has stored
- ``logfile``   the same facts from JSON Lines and CSV

There is no averaging here, no threshold, and no knowledge of blades.
"""
