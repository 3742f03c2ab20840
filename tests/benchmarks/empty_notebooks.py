"""Execute so many notebooks that only import libraries, two at a time: the yardstick of ``test_report_speed.py``.

Run: ``.venv/bin/python tests/benchmarks/empty_notebooks.py 14``
"""

import json
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

JOBS = 2
CELL = {
    "cell_type": "code",
    "execution_count": None,
    "id": "only",
    "metadata": {},
    "outputs": [],
    "source": "import pandas, xarray, matplotlib.pyplot, pint",
}
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}


def main() -> None:
    """Execute them in a folder that is deleted again."""
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]  # as in swaptable.runs.kernels: a second
    import papermill

    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(JOBS) as pool:
        book = Path(folder) / "empty.ipynb"
        text = json.dumps({"cells": [CELL], "metadata": {"kernelspec": KERNEL}, "nbformat": 4, "nbformat_minor": 5})
        book.write_text(text, encoding="utf-8")

        def execute(number: int) -> None:
            papermill.execute_notebook(str(book), f"{folder}/{number}.ipynb", progress_bar=False)

        list(pool.map(execute, range(int(sys.argv[1]))))


if __name__ == "__main__":
    main()
