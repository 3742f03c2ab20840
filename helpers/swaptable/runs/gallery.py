"""The small gallery that the README shows: pictures of the demo's runs, taken anew by one command."""

from __future__ import annotations

import tempfile
from pathlib import Path

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA, REPORTS
from swaptable.basics.whole_files import write_whole
from swaptable.runs.run_files import read_runs
from swaptable.runs.runs import run_all

__all__ = ["PICTURES", "make_gallery"]

# picture → run and chart
PICTURES = {
    "density": ("barley_pot_blood_pressure", "density"),
    "differences": ("barley_pot_blood_pressure", "differences"),
    "daily_values": ("barley_pot_blood_pressure", "daily_values"),
    "contributions": ("barley_pot_blood_pressure", "contributions"),
    "effects": ("barley_pot_blood_pressure", "effects"),
    "targets": ("barley_pot_blood_pressure", "targets"),
    "programme": ("programme", "programme"),
}


def make_gallery() -> list[Path]:
    """Run what the pictures are from, in a folder of its own, and put the pictures in place.

    Returns
    -------
    list of Path
        The pictures, in ``reports/gallery/``. Nothing is replaced unless every run is done.

    Raises
    ------
    SwaptableError
        If a run fails.
    """
    target = REPORTS / "gallery"
    wanted = {run for run, _ in PICTURES.values()}
    runs = [run for run in read_runs(DATA / "runs.yaml") if run.name in wanted]
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        wrong = [why for outcome in run_all(runs, Path(work)) if outcome.state == "failed" for why in outcome.why]
        if wrong:
            raise SwaptableError("; ".join(wrong))
        made = []
        for name, (run, chart) in PICTURES.items():
            picture = (Path(work) / run / "figures" / f"{chart}.png").read_bytes()
            made.append(write_whole(target / f"{name}.png", picture))
    return made
