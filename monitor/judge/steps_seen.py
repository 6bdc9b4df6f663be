"""In what steps the readings of a record really move: a node may round more coarsely than its converter does."""

from __future__ import annotations

#: So many changes in a row that all lie on one grid show it. Chosen: of changes that lie on the converter's own grid
#: by chance, one in 4,000 series of twelve has only even ones.
CHANGES = 12
#: Changes of so many steps and more tell nothing: what their decimals leave out adds up. Chosen.
MOST_STEPS = 20.0
#: How far from a grid a change may lie. [K] Values are written to a thousandth or finer; the finest converter in the
#: list steps by 0.0078 K.
OFF_GRID_K = 0.003
#: A grid less than so much wider than the converter's is the converter's, written to hundredths. Chosen.
WIDER = 1.5


class StepsSeen:
    """Fed with every change of the raw reading; ``step_K`` is the wider of the converter's step and the record's own.

    The grid is the greatest step of which every change seen is a whole multiple. It can only become finer, and the
    first fine change ends the search.
    """

    def __init__(self, stated_K: float) -> None:
        self.stated_K = self.step_K = stated_K
        self._grid_K = 0.0
        self._changes = 0
        #: Whether the record may still turn out to be coarser than its converter.
        self.is_open = True

    def take(self, change_K: float) -> bool:
        """Take in one change. Returns whether ``step_K`` is another now."""
        grid_K, change_K = self._grid_K, abs(change_K)
        if grid_K and change_K > MOST_STEPS * grid_K:
            return False
        self._grid_K = grid_K = _common_K(grid_K, change_K) if grid_K else change_K
        self._changes += 1
        self.is_open = grid_K > WIDER * self.stated_K
        if not self.is_open:
            grid_K = self.stated_K
        elif self._changes < CHANGES:
            return False
        # Millionths tell the same step apart only where the record was written in decimals.
        grid_K = round(grid_K, 4) if self.is_open else grid_K
        if grid_K == self.step_K:
            return False
        self.step_K = grid_K
        return True


def _common_K(one_K: float, other_K: float) -> float:
    """The greatest step of which both are whole multiples, but for what decimals leave out. [K]"""
    large_K, small_K = max(one_K, other_K), min(one_K, other_K)
    while small_K > OFF_GRID_K:
        large_K, small_K = small_K, abs(large_K - round(large_K / small_K) * small_K)
    return large_K
