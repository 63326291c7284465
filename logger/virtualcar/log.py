"""What happened in one power-up, step by step: the raw material of signals and truth."""

from dataclasses import dataclass, field

import numpy as np

from logger.event import FloatArray

COLUMNS = (
    "t", "dt", "crank", "turned", "spark_t", "fired", "switched", "arced", "loss", "fault", "effective", "lam",
    "manifold", "rail", "normal_rail", "volts", "normal_volts", "throttle", "speed", "ax", "lateral", "coolant", "bay",
    "pump_on", "load_a", "gear", "running", "alive", "injected", "clutch",
    "starter_a",
)  # fmt: skip


@dataclass(slots=True)
class Log:
    """One row per step; rows lie at the start of their step. hits: (time, peak g); key: (time, 0 or 1)."""

    rows: list[tuple[float, ...]] = field(default_factory=list)
    hits: list[tuple[float, float]] = field(default_factory=list)
    key: list[tuple[float, float]] = field(default_factory=list)
    end_s: float = 0.0
    _table: FloatArray | None = None

    def column(self, name: str) -> FloatArray:
        """One column, float64, shape (steps,); to be read once the drive is over."""
        if self._table is None:
            self._table = np.array(self.rows, dtype=np.float64).T.copy()
        column: FloatArray = self._table[COLUMNS.index(name)]
        return column
