"""Where the program's zero lies: work offsets, local and shifted zeros, in machine mm."""

from __future__ import annotations

Point = tuple[float, float, float]
ZERO: Point = (0.0, 0.0, 0.0)


class Offsets:
    """The zero of G54 to G59.3, of G52 and of G92, added up.

    Offsets a control keeps in its own table are not in the program: until it sets them (G10)
    they are zero, which changes no cut and only the rapid moves between two systems.
    """

    def __init__(self) -> None:
        self.system = 0
        self.table: list[Point] = [ZERO] * 9
        self.local = ZERO
        self.shift = ZERO
        self.shift_kept = ZERO

    def sum(self) -> Point:
        """Return machine coordinates of the program's zero."""
        a, b, c = self.table[self.system], self.local, self.shift
        return (a[0] + b[0] + c[0], a[1] + b[1] + c[1], a[2] + b[2] + c[2])

    def shift_to(self, position: Point, wanted: tuple[float | None, ...]) -> None:
        """G92: let the position have the wanted coordinates, axis by axis (None: as it is)."""
        zero = self.sum()
        old = self.shift
        x, y, z = (
            old[i] if w is None else old[i] + position[i] - zero[i] - w
            for i, w in enumerate(wanted)
        )
        self.shift = (x, y, z)

    def set_local(self, wanted: tuple[float | None, ...]) -> None:
        """G52: move the zero within the work offset."""
        x, y, z = (self.local[i] if w is None else w for i, w in enumerate(wanted))
        self.local = (x, y, z)

    def set_table(self, row: int, wanted: tuple[float | None, ...]) -> None:
        """G10 L2: set a work offset."""
        x, y, z = (self.table[row][i] if w is None else w for i, w in enumerate(wanted))
        self.table[row] = (x, y, z)

    def set_table_here(self, row: int, position: Point, wanted: tuple[float | None, ...]) -> None:
        """G10 L20: set a work offset so that the position has the wanted coordinates in it."""
        b, c = self.local, self.shift
        x, y, z = (
            self.table[row][i] if w is None else position[i] - b[i] - c[i] - w
            for i, w in enumerate(wanted)
        )
        self.table[row] = (x, y, z)

    def cancel_shift(self, *, keep: bool) -> None:
        """G92.1 (forget) and G92.2 (keep for G92.3)."""
        self.shift_kept = self.shift if keep else ZERO
        self.shift = ZERO

    def restore_shift(self) -> None:
        """G92.3."""
        self.shift = self.shift_kept
