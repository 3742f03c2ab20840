"""What a survey costs from 10 to 100,000 recipes: time, memory and disk, a fit, and an estimate on paper for more.

Run: ``.venv/bin/python tests/benchmarks/cost_curve.py FOLDER`` with the folder of the FNDDS files (or the environment
variable SWAPTABLE_FNDDS); ``--speed-up`` compares one worker with two instead. Recipes beyond the published ones are
the same with every weight times a lognormal number (sigma 0.25); 65 components with certainty and the index. The six
rules are generic ones that change every ingredient of every recipe, so that each recipe has 64 variants: no recipe has
all six of the real rules, and these are the dearest case.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import psutil

from swaptable.survey.dishes import Dish
from swaptable.survey.rules import Swaps
from swaptable.survey.run import Collection, make_job, read_collection, run_survey

SIZES = (10, 100, 1_000, 6_773, 20_000, 100_000)
FIT_FROM = 1_000  # below, starting the workers is most of the time
SIGMA = 0.25
GENERIC = Swaps.model_validate(
    {
        "title": "Six generic rules",
        "rules": {
            **{f"every weight times {times}": [{"match": ".", "times": times}] for times in (0.9, 0.8, 0.7, 0.6, 0.5)},
            "every food by a raw potato": [{"match": ".", "food": "sr28:11352"}],
        },
    }
)
# The estimate on paper, stated so that anybody can put in others.
MANY = 100_000_000
HOURS, PRICE_PER_CORE_HOUR, USABLE = (
    24.0,
    0.05,
    0.8,
)  # wanted; assumed, in US dollars; share of the cores' time (assumed)


@dataclass(frozen=True)
class Cost:
    """What one survey took: wall clock and processor time [s], peak memory of all processes, disk [bytes]."""

    recipes: int
    wall: float
    processor: float
    memory: int
    disk: int


class Watch:
    """Adds up memory and processor time of this process and all that it started, five times a second."""

    def __init__(self) -> None:
        self.memory, self.spent, self._before, self._end = 0, dict[int, float](), 0.0, threading.Event()
        self._thread = threading.Thread(target=self._look_often, daemon=True)

    def __enter__(self) -> Watch:
        own = psutil.Process().cpu_times()
        self._before = own.user + own.system
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()

    @property
    def processor(self) -> float:
        """Processor time of all processes since the start, in seconds."""
        return sum(self.spent.values()) - self._before

    def _look_often(self) -> None:
        while not self._end.wait(0.2):
            self._look()

    def _look(self) -> None:
        memory = 0
        this = psutil.Process()
        for process in (this, *this.children(recursive=True)):
            try:
                times = process.cpu_times()
                self.spent[process.pid] = times.user + times.system
                memory += process.memory_info().rss
            except psutil.Error:  # it has just ended
                continue
        self.memory = max(self.memory, memory)


def perturbed(dishes: Sequence[Dish], count: int, seed: int = 1) -> Iterator[Dish]:
    """Give the dishes, and then again with other weights, one at a time."""
    draw = np.random.default_rng(seed)
    for number in range(count):
        dish, copy = dishes[number % len(dishes)], number // len(dishes)
        if not copy:
            yield dish
            continue
        factors = draw.lognormal(0, SIGMA, len(dish.parts))
        parts = tuple(replace(p, grams=p.grams * float(f)) for p, f in zip(dish.parts, factors, strict=True))
        before, after = (sum(part.grams for part in each) for each in (dish.parts, parts))
        if after > 0:
            yield Dish(f"{dish.code}-{copy}", dish.title, parts, dish.cooked_g * after / before)
        else:
            yield replace(dish, code=f"{dish.code}-{copy}")


def measured(dishes: Sequence[Dish], count: int, workers: int) -> Cost:
    """Compute so many recipes and say what it took; what is written is deleted again."""
    folder = Path(tempfile.mkdtemp(prefix="survey-"))
    try:
        with Watch() as watch:
            start = time.perf_counter()
            job = make_job(GENERIC)
            run_survey(Collection(perturbed(dishes, count), count, True), folder / "out", job, workers=workers)
            wall = time.perf_counter() - start
        disk = sum(path.stat().st_size for path in folder.rglob("*.parquet"))
        return Cost(count, wall, watch.processor, watch.memory, disk)
    finally:
        shutil.rmtree(folder)


def fitted(costs: Sequence[Cost], of: str) -> tuple[float, float]:
    """Fit a straight line through the logarithms of what comes on top of the start: exponent, and seconds a recipe."""
    start, last = costs[0], costs[-1]
    used = [cost for cost in costs if cost.recipes >= FIT_FROM]
    beyond = [getattr(cost, of) - getattr(start, of) for cost in used]
    logs = np.log([cost.recipes - start.recipes for cost in used]), np.log(beyond)
    exponent = float(np.polyfit(*logs, 1)[0]) if len(used) > 1 else math.nan
    return exponent, (getattr(last, of) - getattr(start, of)) / (last.recipes - start.recipes)


def print_estimate(costs: Sequence[Cost]) -> None:
    """Print the fit, and the estimate on paper for many recipes."""
    for of in ("wall", "processor"):
        exponent, each = fitted(costs, of)
        told = f"exponent {exponent:.3f}, {1e3 * each:.2f} ms each"
        print(f"{of} time beyond the start, from {FIT_FROM:,} recipes on: {told}")
    each, last = fitted(costs, "processor")[1], costs[-1]
    hours = MANY * each / 3600 / USABLE
    print(f"On paper, {MANY:,} recipes x 64 variants at {1000 * each:.2f} ms of a core each, linear:")
    print(f"  {hours:,.0f} core hours at {USABLE:.0%} of the cores' time: {math.ceil(hours / HOURS)} cores for a day,")
    print(f"  {PRICE_PER_CORE_HOUR * hours:,.2f} US dollars at an assumed {PRICE_PER_CORE_HOUR} a core hour,")
    print(f"  {MANY * last.disk / last.recipes / 1e12:.2f} TB of Parquet")


def print_speed_up(dishes: Sequence[Dish], count: int, rounds: int) -> None:
    """Compare one worker with two in turn, and take the best of each: other work on the machine only slows."""
    best = dict[int, float]()
    for _ in range(rounds):
        for workers in (1, 2):
            best[workers] = min(best.get(workers, math.inf), measured(dishes, count, workers).wall)
    print(
        f"{count:,} recipes: 1 worker {best[1]:.1f} s, 2 workers {best[2]:.1f} s: {best[1] / best[2]:.2f} times faster"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "folder", nargs="?", default=os.environ.get("SWAPTABLE_FNDDS"), help="folder of the FNDDS files"
    )
    parser.add_argument("--most", type=int, default=SIZES[-1], help="largest number of recipes")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--speed-up", type=int, default=0, metavar="RECIPES", help="compare one worker with two")
    parser.add_argument("--rounds", type=int, default=2)
    options = parser.parse_args()
    if not options.folder:
        parser.error("name the folder of the FNDDS files, or set SWAPTABLE_FNDDS")
    dishes = tuple(item for item in read_collection(options.folder).items if isinstance(item, Dish))
    if options.speed_up:
        print_speed_up(dishes, options.speed_up, options.rounds)
        return
    print(f"{options.workers} workers; load of the machine before: {os.getloadavg()[0]:.1f}")
    print("recipes,rows,wall_s,processor_s,memory_gb,disk_mb", flush=True)
    costs = []
    for count in (size for size in SIZES if size <= options.most):
        rounds = options.rounds if count <= 10_000 else 1  # other work on the machine only slows: the best counts
        cost = min((measured(dishes, count, options.workers) for _ in range(rounds)), key=lambda each: each.processor)
        costs.append(cost)
        shown = f"{cost.wall:.2f},{cost.processor:.2f},{cost.memory / 1e9:.2f},{cost.disk / 1e6:.1f}"
        print(f"{count},{64 * count},{shown}", flush=True)
    print_estimate(costs)


if __name__ == "__main__":
    main()
