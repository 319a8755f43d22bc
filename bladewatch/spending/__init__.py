"""What blades cost in a month: documents, values, work, and why it was more or less than planned.

::

    periods     fiscal months by production days
    documents   ledger rows to lines of money, each of one kind
    grinding    what the grinder did for each plate, and what it should cost
    assets      what plates are worth: roll-forward in money and in plates
    work        what was cut, by saw, blade and metal
    variance    from the plan to what was spent, in parts that add up
    sharing     a month's spend over what was cut
    month       all of it at one moment

Money is Decimal in the site's currency, rounded once, where it enters.
"""
