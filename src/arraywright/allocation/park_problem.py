"""A site's task cut into one problem per class, and the way back from orders to places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arraywright.allocation.assemble import Filling, filling_of
from arraywright.allocation.classes import ClassPlan
from arraywright.allocation.classes_in_time import days_of_supply
from arraywright.allocation.park_types import ClassProblem
from arraywright.allocation.plan import Task
from arraywright.allocation.second_order import pool_coordinates
from arraywright.allocation.stock import ModuleClass
from arraywright.arrays import IntArray

__all__ = ["ClassTask", "Places", "class_tasks", "fill_places"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Modules in strings, by numbers of a class problem.

    Attributes:
        string: string of each filled place, never falling, (places,).
        module: module in each filled place, (places,).
    """

    string: IntArray
    module: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassTask:
    """The problem of one class, and what its numbers stand for.

    Attributes:
        number: number of the class in the supply.
        kind: the class.
        problem: strings in building order, pallets in order of arrival.
        strings: open string of each string of the problem, (strings,).
        units: unit of the supply of each pallet of the problem, (units,).
        first_module: row of the supply of the problem's first module.
        section_drop: drop point of each section, (sections,).
        waiting: strings that wait for modules beyond the day they are to be built, (strings,).
    """

    number: int
    kind: ModuleClass
    problem: ClassProblem
    strings: IntArray
    units: IntArray
    first_module: int
    section_drop: IntArray
    waiting: IntArray


def _sections(drop: IntArray) -> tuple[IntArray, IntArray]:
    """Number the visits of drop points in building order; give the drop point of each visit."""
    if not len(drop):
        return drop, drop
    begins = np.concatenate([[True], drop[1:] != drop[:-1]])
    return np.cumsum(begins) - 1, drop[begins]


def class_tasks(
    task: Task, classes: ClassPlan, *, string_day: IntArray, unit_day: IntArray
) -> list[ClassTask]:
    """Cut a task into one problem per class that gets strings.

    A string whose modules arrive after the day it is to be built waits for them, and with it those
    of its class behind it. Between the strings of an input loss is counted where several strings
    of the input are planned.

    Args:
        task: stock, open strings and the modules' curves.
        classes: class of each open string.
        string_day: day each open string is to be built, as ordinal, (strings,).
        unit_day: first day each unit of the supply may be used, as ordinal, (units,).
    """
    supply, demand = task.supply, task.demand
    supplied = days_of_supply(supply, demand, string_class=classes.string_class, unit_day=unit_day)
    tasks: list[ClassTask] = []
    for number, kind in enumerate(supply.classes):
        strings = np.flatnonzero(classes.string_class == number)
        if not len(strings):
            continue
        units = supply.units_of(number)
        first, past = (int(at) for at in supply.class_offsets[number : number + 2])
        lengths = demand.needs[strings]
        coordinates = pool_coordinates(
            task.pool,
            modules=np.arange(first, past),
            modules_per_string=int(np.median(lengths)),
        )
        _, input_of, on_input = np.unique(
            demand.input_of[strings], return_inverse=True, return_counts=True
        )
        alone = bool(np.all(on_input < 2))
        section, section_drop = _sections(demand.drop_of[strings])
        day = np.maximum.accumulate(np.maximum(string_day[strings], supplied[strings]))
        offsets = supply.unit_offsets[units[0] : units[-1] + 2] - first
        tasks.append(
            ClassTask(
                number=number,
                kind=kind,
                problem=ClassProblem(
                    x=coordinates.x,
                    y=np.zeros_like(coordinates.y) if alone else coordinates.y,
                    unit_offsets=offsets,
                    unit_day=unit_day[units],
                    string_modules=lengths.astype(np.int64),
                    string_day=day.astype(np.int64),
                    string_input=input_of.astype(np.int64),
                    string_section=section.astype(np.int64),
                ),
                strings=strings.astype(np.int64),
                units=units,
                first_module=first,
                section_drop=section_drop,
                waiting=strings[supplied[strings] > string_day[strings]],
            )
        )
    return tasks


def fill_places(
    task: Task, classes: ClassPlan, *, tasks: list[ClassTask], places: list[Places]
) -> Filling:
    """Join the places of all classes into the filling of the site."""
    if not tasks:
        empty = np.zeros(0, dtype=np.int64)
        return filling_of(task.supply, task.demand, classes, string=empty, module=empty)
    string = np.concatenate([own.strings[at.string] for own, at in zip(tasks, places, strict=True)])
    module = np.concatenate(
        [own.first_module + at.module for own, at in zip(tasks, places, strict=True)]
    )
    return filling_of(task.supply, task.demand, classes, string=string, module=module)
