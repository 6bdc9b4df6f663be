"""When the heat was over, by what people marked: one rule for the hold and for the jars that cool after it."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.record.model import ENDS, Mark


class Heat:
    """The newest load: jars in, heat off, jars lifted; the first mark of each counts. Times in s, None before.

    Only jars that go in begin anew. Heat that goes on again, under the same jars or under the next pot, takes no end
    back: the verdict stays on the hold that ended, and so does all that falls due after it.
    """

    def __init__(self) -> None:
        self.jars_in_s: float | None = None
        self.heat_off_s: float | None = None
        self.lifted_s: float | None = None
        #: The first of the two ends.
        self.over_s: float | None = None

    @classmethod
    def of(cls, marks: Iterable[Mark]) -> Heat:
        """By all the marks of a run."""
        heat = cls()
        for mark in sorted(marks, key=lambda mark: mark.t_s):
            if mark.kind == "jars_in":
                heat.jars_in(mark.t_s)
            elif mark.kind in ENDS:
                heat.ends(mark.t_s, mark.kind)
        return heat

    def jars_in(self, t: float) -> None:
        """The jars went in: nothing of a load before is theirs."""
        self.jars_in_s = t
        self.heat_off_s = self.lifted_s = self.over_s = None

    def ends(self, t: float, kind: str) -> bool:
        """``heat_off`` or ``jars_lifted``, in time order. Whether it is the first of its kind for this load."""
        is_off = kind == "heat_off"
        if (self.heat_off_s if is_off else self.lifted_s) is not None:
            return False
        if is_off:
            self.heat_off_s = t
        else:
            self.lifted_s = t
        if self.over_s is None:
            self.over_s = t
        return True
