"""What a few modules put elsewhere change in the loss, without summing everything anew."""

from __future__ import annotations

import numpy as np

from arraywright.allocation.park_types import ClassProblem
from arraywright.arrays import FloatArray, IntArray

__all__ = ["LossTally"]


class LossTally:
    """Sums of strings and inputs of a filled class, for the loss of exchanges.

    Places may be empty (module -1) while a plan is being repaired; an empty place counts as a
    module at the mean of the class.
    """

    def __init__(self, problem: ClassProblem, *, string: IntArray, module: IntArray) -> None:
        self.problem = problem
        self.string = string
        self.module = module.copy()
        self._x = np.append(problem.x, 0.0)
        self._y = np.append(problem.y, 0.0)
        strings = len(problem.string_modules)
        self._count = np.maximum(np.bincount(string, minlength=strings), 1).astype(np.float64)
        names, code = np.unique(problem.string_input, return_inverse=True)
        self._input = code.astype(np.int64)
        self._alike = np.maximum(np.bincount(code, minlength=len(names)), 1).astype(np.float64)
        self._sum_x: FloatArray = np.bincount(
            string, weights=self._x[self.module], minlength=strings
        ).astype(np.float64)
        self._sum_y: FloatArray = np.bincount(
            string, weights=self._y[self.module], minlength=strings
        ).astype(np.float64)
        self._sum_of_input: FloatArray = np.bincount(
            self._input, weights=self._sum_y, minlength=len(names)
        ).astype(np.float64)

    def _steps(
        self, places: IntArray, modules: IntArray
    ) -> tuple[IntArray, FloatArray, FloatArray]:
        before = self.module[places]
        strings, code = np.unique(self.string[places], return_inverse=True)
        step_x = np.bincount(code, weights=self._x[modules] - self._x[before])
        step_y = np.bincount(code, weights=self._y[modules] - self._y[before])
        return strings, step_x.astype(np.float64), step_y.astype(np.float64)

    def change_w(self, places: IntArray, modules: IntArray) -> float:
        """Give how much the loss grows when these modules are put into these places [W]."""
        strings, step_x, step_y = self._steps(places, modules)
        before = self.module[places]
        grown = float(np.sum(self._x[modules] ** 2 - self._x[before] ** 2))
        grown -= float(
            np.sum(step_x * (2.0 * self._sum_x[strings] + step_x) / self._count[strings])
        )
        grown += float(np.sum(step_y * (2.0 * self._sum_y[strings] + step_y)))
        inputs, code = np.unique(self._input[strings], return_inverse=True)
        step = np.bincount(code, weights=step_y)
        held = self._sum_of_input[inputs]
        return grown - float(np.sum(step * (2.0 * held + step) / self._alike[inputs]))

    def put(self, places: IntArray, modules: IntArray) -> None:
        """Put these modules into these places."""
        strings, step_x, step_y = self._steps(places, modules)
        self._sum_x[strings] += step_x
        self._sum_y[strings] += step_y
        np.add.at(self._sum_of_input, self._input[strings], step_y)
        self.module[places] = modules
