"""Runs: execute notebooks headlessly, whole or not at all, and record where every number came from.

A run is made in a folder of its own beside the reports and moves into place only when it has succeeded, so a
failed or interrupted run never touches a good report.
"""

from __future__ import annotations

import ast
import hashlib
import html
import json
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from tqdm import tqdm

from swaptable.errors import InputError, SwaptableError, listed, nearest
from swaptable.folders import DATA, HOME, NOTEBOOKS, shown
from swaptable.joined import open_release
from swaptable.located_yaml import SourceText, read_yaml
from swaptable.model_files import kind_of
from swaptable.study import files_in, find_file

__all__ = ["Parameter", "Run", "notebook_parameters", "read_runs", "run_all", "run_notebook", "write_index"]

_OWN_FOLDERS = ("failed", "gallery")  # of the reports folder
OUTPUT = "output"  # the parameter by which a notebook learns its folder; given by the runner alone
TIMEOUT_SECONDS = 600
ABANDONED_SECONDS = 3600
ASIDE = "replaced-"
MOST_ATTEMPTS = 20
_TYPES: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}
_FILES = {  # parameters that name files, one or a list of them
    "recipe": ("recipes", ".yaml"), "audience": ("audiences", ".yaml"), "prices": (".", ".csv"),
    "recipes": ("recipes", ".yaml"), "audiences": ("audiences", ".yaml"), "days": ("days", ".yaml"),
    "words": ("recipes/words", ".txt"),
}  # fmt: skip
_PACKAGES = (
    "swaptable",
    "pandas",
    "numpy",
    "xarray",
    "matplotlib",
    "papermill",
    "nbconvert",
    "pyarrow",
    "pint",
)


@dataclass(frozen=True)
class Parameter:
    """A parameter that a notebook declares.

    Attributes
    ----------
    name : str
    kind : str
        ``str``, ``int``, ``float``, ``bool`` or ``list[str]``.
    default : object
    """

    name: str
    kind: str
    default: Any


@dataclass(frozen=True)
class Run:
    """One notebook with its parameters.

    Attributes
    ----------
    name : str
        Folder in reports.
    notebook : Path
    parameters : dict
        Checked and typed.
    """

    name: str
    notebook: Path
    parameters: Mapping[str, Any]


def notebook_parameters(notebook: Path) -> dict[str, Parameter]:
    """Read the parameters that a notebook declares in its one cell tagged ``parameters``.

    Parameters
    ----------
    notebook : Path

    Returns
    -------
    dict of Parameter

    Raises
    ------
    InputError
        If there is not exactly one such cell, or it holds anything but annotated literals.
    """
    file = shown(notebook)
    try:
        cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        tagged = [cell for cell in cells if "parameters" in cell.get("metadata", {}).get("tags", [])]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(f"is not a notebook ({' '.join(str(error).split())})", file=file) from error
    if len(tagged) != 1:
        raise InputError(f"found {len(tagged)} cells tagged 'parameters'; expected exactly one", file=file)
    try:
        lines = ast.parse("".join(tagged[0]["source"])).body
    except SyntaxError as error:
        raise InputError(f"found '{(error.text or '').strip()}'; {_DECLARED}", file=file, field="parameters") from None
    declared = (_declared(line, file) for line in lines)
    return {parameter.name: parameter for parameter in declared}


_DECLARED = "expected 'name: type = literal' only"


def _declared(line: ast.stmt, file: str) -> Parameter:
    """Read one declaration of a parameters cell."""
    try:
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name) and line.value is not None:
            kind, default = ast.unparse(line.annotation), ast.literal_eval(line.value)
            if kind in (type(default).__name__, "list[str]" if isinstance(default, list) else ""):
                return Parameter(line.target.id, kind, default)
    except ValueError:
        pass
    raise InputError(f"found '{ast.unparse(line)}'; {_DECLARED}", file=file, field="parameters")


_KIND_WORDS = {
    "str": "a text",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "list[str]": "a list of texts, such as [one, two]",
}


def _typed(text: Any, parameter: Parameter) -> Any:
    """Turn the text of a runs file into the type that the notebook declares."""
    expected = f"found {kind_of(text)}; expected {_KIND_WORDS.get(parameter.kind, parameter.kind)}"
    if parameter.kind == "list[str]" and isinstance(text, list) and all(isinstance(item, str) for item in text):
        return text
    kind = _TYPES.get(parameter.kind)
    if kind is None or isinstance(text, list | dict):
        raise SwaptableError(expected)
    if kind is bool:
        if text not in ("true", "false"):
            raise SwaptableError(expected)
        return text == "true"
    try:
        return kind(text)
    except ValueError:
        raise SwaptableError(expected) from None


def read_runs(path: str | Path) -> list[Run]:
    """Read and check a runs file.

    Parameters
    ----------
    path : str or Path
        YAML: run name → ``notebook`` and ``parameters``.

    Returns
    -------
    list of Run
        In the order of the file.

    Raises
    ------
    InputError
        If a notebook, parameter or the type of a value is not known, with the place in the file.
    """
    found, source = read_yaml(Path(path))
    if not isinstance(found, dict) or not found:
        raise source.error((), "expected runs as name: {notebook: ..., parameters: {...}}")
    folders: dict[str, str] = {}
    for name in found:
        if not re.fullmatch(r"\w[\w-]{0,60}", name) or name.lower() in _OWN_FOLDERS:
            problem = f"found '{name}'; a run is named with letters, digits, _ and -, and not {', '.join(_OWN_FOLDERS)}"
            raise source.error((name,), problem, at_key=True)
        if name.lower() in folders:
            problem = f"found '{name}' beside '{folders[name.lower()]}'; one folder on some systems: rename one"
            raise source.error((name,), problem, at_key=True)
        folders[name.lower()] = name
    return [_read_run(name, entry, source) for name, entry in found.items()]


def _read_run(name: str, entry: Any, source: SourceText) -> Run:
    allowed = ("notebook", "parameters")
    for key in entry if isinstance(entry, dict) else ():
        if key not in allowed:
            raise source.error(
                (name, key), f"found '{key}'; expected {listed(allowed)}{nearest(key, allowed)}", at_key=True
            )
    if not isinstance(entry, dict) or "notebook" not in entry:
        raise source.error((name,), "expected {notebook: ..., parameters: {...}}")
    notebook = NOTEBOOKS / f"{entry['notebook']}.ipynb"
    if not notebook.is_file() or notebook.stem != str(entry["notebook"]):
        known = sorted(book.stem for book in NOTEBOOKS.glob("*.ipynb"))
        problem = (
            f"found '{entry['notebook']}'; expected one of {listed(known)}{nearest(str(entry['notebook']), known)}"
        )
        raise source.error((name, "notebook"), problem)
    declared = {key: value for key, value in notebook_parameters(notebook).items() if key != OUTPUT}
    given = entry.get("parameters", {}) or {}
    if not isinstance(given, dict):
        raise source.error((name, "parameters"), "expected name: value")
    values = {}
    for key, text in given.items():
        at = (name, "parameters", key)
        if key not in declared:
            raise source.error(
                at, f"found '{key}'; expected one of {listed(declared)}{nearest(key, declared)}", at_key=True
            )
        try:
            values[key] = _typed(text, declared[key])
        except SwaptableError as error:
            raise source.error(at, str(error)) from None
    return Run(name, notebook, values)


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _inputs(run: Run) -> dict[str, Any]:
    """Say what goes into a run, taken before it starts: files by hash, release, versions and parameters."""
    declared = {name: parameter.default for name, parameter in notebook_parameters(run.notebook).items()}
    parameters = {name: value for name, value in {**declared, **run.parameters}.items() if name != OUTPUT}
    inputs = {"notebook": run.notebook}
    for key, (folder, suffix) in _FILES.items():
        named = parameters.get(key, "")
        whole = isinstance(named, list) and not named  # an empty list means the whole folder
        for name in files_in(folder) if whole else named if isinstance(named, list) else [named] if named else []:
            inputs[f"{key}: {name}" if isinstance(named, list) else key] = find_file(name, folder, suffix)
    release = open_release(parameters.get("release", "sr28"))
    reference = hashlib.sha256(b"".join(path.read_bytes() for path in sorted((DATA / "reference").glob("*.csv"))))
    return {
        "run": run.name,
        "parameters": parameters,
        "inputs": {key: {"file": shown(path), "sha256": _sha256(path)} for key, path in inputs.items()},
        "food_release": {"name": release.name, "released": release.manifest["released"], "sha256": release.sha256},
        "reference_tables_sha256": reference.hexdigest(),
        "versions": {"python": sys.version.split()[0]} | {name: metadata.version(name) for name in _PACKAGES},
    }


_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><style>{style}</style></head><body><main>
{body}
</main></body></html>
"""
_STYLE = """
body{font:17px/1.5 Georgia,'Times New Roman',serif;color:#1a1a1a;background:#fff;margin:0}
main{max-width:62rem;margin:0 auto;padding:1.5rem}
h1,h2,h3{font-family:Verdana,Arial,sans-serif;line-height:1.25}h1{font-size:1.7rem}h2{font-size:1.25rem;margin-top:2.2rem}
figure{margin:1rem 0}img{max-width:100%;height:auto}
table{border-collapse:collapse;font-size:.82rem;font-family:Verdana,Arial,sans-serif;display:block;overflow-x:auto}
caption{text-align:left;font-weight:bold;padding:.4rem 0}
th,td{border-bottom:1px solid #bbb;padding:.25rem .55rem;text-align:right;vertical-align:top}
th:first-child,td:first-child,tbody th{text-align:left}thead th{border-bottom:2px solid #333}
a{color:#00508a}pre{white-space:pre-wrap;overflow-wrap:anywhere}
.runs{list-style:none;padding:0}.runs li{border-top:1px solid #bbb;padding:1rem 0}.runs img{max-width:26rem}
@media print{main{max-width:none;padding:0}figure,table{break-inside:avoid}}
"""


def _page(title: str, body: str) -> str:
    return _PAGE.format(title=html.escape(title), style=_STYLE, body=body)


def _convert(notebook: Path, title: str) -> str:
    """Turn an executed notebook into one self-contained page, code hidden."""
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(
        template_name="basic", exclude_input=True, exclude_input_prompt=True, exclude_output_prompt=True,
        exclude_anchor_links=True, mathjax_url="", require_js_url="", mermaid_js_url="",
    )  # fmt: skip
    body, _ = exporter.from_filename(str(notebook))
    return _page(title, body)


def run_notebook(run: Run, reports: Path) -> Path:
    """Execute one run and move it into place.

    Parameters
    ----------
    run : Run
    reports : Path
        Folder of all reports; the run goes into ``reports/<run>/``.

    Returns
    -------
    Path
        The run's folder: executed notebook, ``index.html``, ``figures/``, ``tables/`` and ``provenance.json``.

    Raises
    ------
    SwaptableError
        If the notebook fails: its last error in one sentence. The broken notebook is kept under
        ``reports/failed/<run>/``; an earlier report stays as it was.
    """
    # jupyterlab's rfc3987_syntax builds a grammar for a second at import, only to check IRIs
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    import papermill
    from papermill.exceptions import PapermillExecutionError

    started = datetime.now(UTC)
    try:
        record = _inputs(run)
    except SwaptableError as error:
        raise SwaptableError(f"{run.name}: {error}") from None
    reports.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=f".{run.name}-", dir=reports))
    notebook = work / f"{run.notebook.stem}.ipynb"
    try:
        papermill.execute_notebook(
            str(run.notebook), str(notebook), parameters={**run.parameters, OUTPUT: str(work)}, cwd=str(HOME),
            kernel_name="python3", progress_bar=False, log_output=False, execution_timeout=TIMEOUT_SECONDS,
            extra_arguments=["--IPKernelApp.log_level=ERROR"],
        )  # fmt: skip
        _finish(run, work, notebook, record | {"started": started.isoformat(timespec="seconds")})
    except Exception as error:  # whatever a notebook or its kernel may do, the other runs go on
        kept = _keep_broken(run, reports, work)
        if isinstance(error, PapermillExecutionError):
            problem = f"{error.ename}: {error.evalue}"
        else:
            problem = f"{type(error).__name__}: {error}"
        problem = " ".join(problem.split())
        raise SwaptableError(f"{run.name}: {problem} (notebook kept in {shown(kept)})") from error
    except BaseException:
        shutil.rmtree(work, ignore_errors=True)
        raise
    return _move_into_place(work, reports / run.name)


def _finish(run: Run, work: Path, notebook: Path, record: dict[str, Any]) -> None:
    summary = json.loads((work / "summary.json").read_text(encoding="utf-8"))
    text = notebook.read_text(encoding="utf-8").replace(json.dumps(str(work))[1:-1], f"reports/{run.name}")
    notebook.write_text(text, encoding="utf-8", newline="\n")
    (work / "index.html").write_text(_convert(notebook, summary["title"]), encoding="utf-8", newline="\n")
    record = {**summary, **record, "finished": datetime.now(UTC).isoformat(timespec="seconds")}
    (work / "provenance.json").write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _keep_broken(run: Run, reports: Path, work: Path) -> Path:
    kept = reports / "failed" / run.name
    shutil.rmtree(kept, ignore_errors=True)
    kept.parent.mkdir(exist_ok=True)
    return work.rename(kept)


def _move_into_place(work: Path, final: Path) -> Path:
    """Swap a finished folder in; the old one goes only when the new one is there.

    Two runs of one name may end at once: the last to finish stays.
    """
    work.chmod(0o755)
    aside = Path(tempfile.mkdtemp(prefix=f".{final.name}-", dir=final.parent))
    for attempt in range(MOST_ATTEMPTS):
        try:
            if final.exists():
                final.rename(aside / f"{ASIDE}{attempt}")
            work.rename(final)
            break
        except OSError:  # another run of the name moved at the same moment
            if attempt == MOST_ATTEMPTS - 1:
                raise
    shutil.rmtree(aside, ignore_errors=True)
    shutil.rmtree(final.parent / "failed" / final.name, ignore_errors=True)
    return final


def _sweep(reports: Path) -> None:
    """Remove what a killed run left behind, and put a report back that was just being replaced."""
    for left in reports.glob(".*-*"):
        if not left.is_dir() or time.time() - left.stat().st_mtime < ABANDONED_SECONDS:
            continue
        final = reports / left.name[1:].rpartition("-")[0]
        for old in sorted(left.glob(f"{ASIDE}*")):
            if not final.exists():
                old.rename(final)
        shutil.rmtree(left, ignore_errors=True)


def run_all(
    runs: Iterable[Run], reports: Path, *, jobs: int | None = None, report: Callable[[str], None] = print
) -> dict[str, str]:
    """Execute runs in parallel, with a progress bar on standard error, and write the index.

    Parameters
    ----------
    runs : iterable of Run
    reports : Path
        Folder of all reports.
    jobs : int, optional
        How many at a time; the number of cores by default.
    report : callable, optional
        Told each failure as one sentence, as it happens.

    Returns
    -------
    dict of str
        Name of each failed run → its error.
    """
    waiting = list(runs)
    reports.mkdir(parents=True, exist_ok=True)
    _sweep(reports)
    failed: dict[str, str] = {}
    with ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1) as pool:
        futures = {pool.submit(run_notebook, run, reports): run for run in waiting}
        try:
            for future in tqdm(as_completed(futures), total=len(futures), desc="reports", unit="run", disable=None):
                try:
                    future.result()
                except SwaptableError as error:
                    failed[futures[future].name] = str(error)
                    report(str(error))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    write_index(reports)
    return failed


def write_index(reports: Path) -> Path:
    """Write the page that lists every run with its headline.

    Parameters
    ----------
    reports : Path

    Returns
    -------
    Path
        ``index.html``
    """
    items, damaged = [], []
    for record in sorted(reports.glob("[!.]*/provenance.json")):
        try:
            items.append(_index_item(record.parent))
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            damaged.append(f"<li><p>{html.escape(record.parent.name)}: damaged; run it again.</p></li>")
    items += damaged
    body = f'<h1>Reports</h1><ul class="runs">{"".join(items) or "<li>None yet.</li>"}</ul>'
    with tempfile.NamedTemporaryFile("w", dir=reports, delete=False, encoding="utf-8", newline="\n") as part:
        part.write(_page("Reports", body))
    Path(part.name).chmod(0o644)
    return Path(part.name).replace(reports / "index.html")


def _index_item(folder: Path) -> str:
    about = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    release = about["food_release"]
    chart = about.get("chart", "density")
    alt = (folder / "figures" / f"{chart}.txt").read_text(encoding="utf-8").splitlines()[0]
    given = {key: value for key, value in about["parameters"].items() if value}
    values = ", ".join(f"{key} {' '.join(value) if isinstance(value, list) else value}" for key, value in given.items())
    return (
        f'<li><h2><a href="{folder.name}/index.html">{html.escape(about["title"])}</a></h2>'
        f"<p>{html.escape(about['audience'])}</p><p><strong>{html.escape(about['headline'])}</strong></p>"
        f'<img src="{folder.name}/figures/{chart}.png" alt="{html.escape(alt)}" loading="lazy">'
        f"<p><small>{html.escape(values)}; food release {release['name']} ({release['released']}); "
        f"{about['finished']}</small></p></li>"
    )
