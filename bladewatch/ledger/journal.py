"""Changes that can be taken back, newest first."""

from __future__ import annotations

from typing import Any, Final

_PUSHED: Final = object()
_KEYED: Final = object()


class Journal:
    """Every change goes through ``put``, ``push`` or ``enter``; ``back_to`` undoes all since a mark.

    While ``keeps`` is false changes are made and not noted: what is older than that cannot be taken back.
    """

    def __init__(self) -> None:
        self.keeps = True
        self._done: list[tuple[Any, Any, Any]] = []

    @property
    def mark(self) -> int:
        """Where the journal stands."""
        return len(self._done)

    def put(self, thing: object, **values: object) -> None:
        """Set attributes."""
        if self.keeps:
            self._done.extend([(thing, name, getattr(thing, name)) for name in values])
        for name, value in values.items():
            setattr(thing, name, value)

    def push(self, items: list[Any], item: object) -> None:
        """Append to a list."""
        if self.keeps:
            self._done.append((items, _PUSHED, None))
        items.append(item)

    def enter(self, table: dict[Any, Any], key: object, value: object) -> None:
        """Add a key that the table does not have."""
        if self.keeps:
            self._done.append((table, _KEYED, key))
        table[key] = value

    def back_to(self, mark: int) -> None:
        """Undo what came after a mark."""
        while len(self._done) > mark:
            thing, name, value = self._done.pop()
            if name is _PUSHED:
                thing.pop()
            elif name is _KEYED:
                del thing[value]
            else:
                setattr(thing, name, value)
