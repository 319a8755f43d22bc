"""The configuration: ``tables`` says what may stand in it, ``decode`` reads it, ``sample`` writes the first one."""
