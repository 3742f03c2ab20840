"""Notebooks by hand: JupyterLab in a headless browser, by keyboard, on a copy of the project, without the network."""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from swaptable.amounts.recipes import read_recipe

playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright, of the extra 'dev'")
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="needs an installed Chromium (program 'chromium' on the path)"),
]
ROOT = Path(__file__).parents[1]
HERE = "127.0.0.1"
PATIENCE = 40.0  # seconds
SOUP = """Carrot soup

Serves 4

Ingredients
- 1 tbsp olive oil
- 400 g carrots, sliced
- 1 litre chicken stock

Method
1. Heat the oil, add the carrots and the stock and simmer for 20 minutes.
"""


@dataclass
class Lab:
    """JupyterLab on a copy of the project, and the page of a browser that looks at it."""

    project: Path
    address: str
    token: str
    page: playwright.Page
    outside: list[str] = field(default_factory=list)

    def sessions(self) -> list[dict]:
        """Ask the server what runs."""
        request = urllib.request.Request(
            f"{self.address}/api/sessions", headers={"Authorization": f"token {self.token}"}
        )
        with urllib.request.urlopen(request, timeout=5) as answer:
            return json.load(answer)

    def open(self, notebook: str) -> None:
        """Open a notebook and wait for its kernel: the page says idle before it is connected."""
        self.page.goto(f"{self.address}/lab/tree/notebooks/{notebook}.ipynb?token={self.token}&reset")
        until(lambda: any(self.is_ready(session) for session in self.sessions() if notebook in session["path"]))
        self.page.locator(".jp-InputPrompt").first.wait_for()

    @staticmethod
    def is_ready(session: dict) -> bool:
        """Tell whether a kernel waits for this page."""
        return session["kernel"]["execution_state"] == "idle" and session["kernel"]["connections"] >= 1

    def run_all(self) -> None:
        """Click Run All Cells, again if the first click was lost."""
        for _ in range(5):
            self.page.get_by_role("menuitem", name="Run", exact=True).click()
            self.page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
            prompts = self.page.locator(".jp-InputPrompt", has_text=re.compile(r"\[(\*|\d+)\]"))
            try:
                prompts.first.wait_for(timeout=3000)
                return
            except playwright.TimeoutError:
                continue
        pytest.fail("Run All Cells moved no prompt")

    def focused(self) -> str:
        """Read the label of the field that has the focus, or the words on the button."""
        return self.page.evaluate(
            "() => { const e = document.activeElement; return e.labels?.[0]?.innerText || e.innerText || ''; }"
        )

    def tab_to(self, label: str, most: int = 12) -> None:
        """Walk with the Tab key until a field has the focus."""
        met = []
        for _ in range(most):
            self.page.keyboard.press("Tab")
            met.append(self.focused())
            if met[-1].strip() == label:
                return
        pytest.fail(f"the Tab key did not come to '{label}' but to {met}")


def until(true: Callable[[], bool], seconds: float = PATIENCE) -> None:
    """Wait for something."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.1)


def is_up(address: str, server: subprocess.Popen) -> bool:
    """Tell whether the server answers."""
    assert server.poll() is None, "the server ended"
    try:
        return urllib.request.urlopen(f"{address}/api", timeout=2).status == 200
    except OSError:
        return False


def plain(text: str) -> str:
    """Write spaces that do not break as spaces."""
    return text.replace("\xa0", " ")


def chosen(field: playwright.Locator) -> str:
    """Read what is chosen in a list."""
    return plain(field.locator("option:checked").inner_text())


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the project, so that what is saved is saved there."""
    copy = tmp_path_factory.mktemp("project")
    for folder in ("helpers/swaptable", "data", "notebooks"):
        shutil.copytree(
            ROOT / folder, copy / folder, ignore=shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints")
        )
    return copy


@pytest.fixture(scope="module")
def server(project: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """JupyterLab on a free port of this machine, with a token and settings of its own."""
    own = tmp_path_factory.mktemp("jupyter")
    settings = own / "settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    quiet = {"fetchNews": "false", "checkForUpdates": False}  # else a box asks before anything else
    (settings / "notification.jupyterlab-settings").write_text(json.dumps(quiet), encoding="utf-8")
    with socket.socket() as free:
        free.bind((HERE, 0))
        port = free.getsockname()[1]
    token = secrets.token_hex(16)
    folders = {
        "JUPYTERLAB_SETTINGS_DIR": "settings", "JUPYTERLAB_WORKSPACES_DIR": "workspaces", "IPYTHONDIR": "ipython",
        "JUPYTER_CONFIG_DIR": "config", "JUPYTER_DATA_DIR": "data", "JUPYTER_RUNTIME_DIR": "runtime",
    }  # fmt: skip
    environment = {
        **os.environ,
        **{name: str(own / folder) for name, folder in folders.items()},
        "PYTHONPATH": str(project / "helpers"),
        "JUPYTER_TOKEN": token,
    }
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--ServerApp.ip={HERE}",
        f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={project}",
    ]  # fmt: skip
    with (own / "log").open("w") as log, subprocess.Popen(command, env=environment, stdout=log, stderr=log) as process:
        try:
            until(lambda: is_up(f"http://{HERE}:{port}", process))
            yield f"http://{HERE}:{port}", token
        finally:
            process.terminate()  # by its own id; it ends its kernels
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()


@pytest.fixture(scope="module")
def lab(project: Path, server: tuple[str, str]) -> Iterator[Lab]:
    """The page of a headless browser."""
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM)
        try:
            page = browser.new_page(viewport={"width": 1200, "height": 1000})
            page.set_default_timeout(1000 * PATIENCE)
            lab = Lab(project, *server, page)
            page.on("request", lambda request: lab.outside.append(request.url) if is_outside(request.url) else None)
            yield lab
        finally:
            browser.close()


def is_outside(url: str) -> bool:
    """Tell whether an address is on the network."""
    return urlsplit(url).scheme in ("http", "https", "ws", "wss") and urlsplit(url).hostname != HERE


def test_match_choose_and_save_by_keyboard(lab):
    """Paste a recipe, match it, choose another food, look one up, save: the file holds what was chosen."""
    lab.open("match_ingredients")
    lab.run_all()
    page = lab.page
    words = page.get_by_label("Paste a recipe")
    words.wait_for()
    words.focus()
    page.keyboard.insert_text(SOUP)
    lab.tab_to("Match")
    page.keyboard.press("Enter")
    page.get_by_text("of 3 lines matched").wait_for()  # said last
    stock = page.get_by_label("1 litre chicken stock")
    live = page.locator(".swaptable-picker", has_text="mg sodium a serving").get_by_text("mg sodium a serving")
    before = live.inner_text()

    lab.tab_to("1 litre chicken stock")
    offered = [plain(text) for text in stock.locator("option").all_inner_texts()]
    page.keyboard.press("ArrowDown")
    until(lambda: live.inner_text() != before, 10)
    assert chosen(stock) == offered[1]
    assert lab.focused() == "1 litre chicken stock", "the field keeps the focus"
    page.keyboard.press("Shift+Tab")
    assert lab.focused() == "other words for it"
    page.keyboard.insert_text("parsnips")
    page.keyboard.press("Enter")
    carrots = page.get_by_label("400 g carrots, sliced")
    until(lambda: chosen(carrots).startswith("Parsnips, raw"))

    lab.tab_to("Name of the recipe file")
    page.keyboard.press("Control+A")
    page.keyboard.insert_text("soup_by_hand")
    lab.tab_to("Save recipe")
    page.keyboard.press("Enter")
    page.get_by_text("Saved as data/recipes/soup_by_hand.yaml").wait_for()
    recipe = read_recipe(lab.project / "data" / "recipes" / "soup_by_hand.yaml")
    foods = [ingredient.food for ingredient in recipe.ingredients.values()]
    assert recipe.title == "Carrot soup"
    assert foods[1] == "sr28:11298", "parsnips, raw"
    assert offered[1].startswith("Soup, stock, chicken, home-prepared")
    assert foods[2] == "sr28:06172", "which is that stock"
    page.keyboard.press("Enter")
    page.get_by_text("which exists already").wait_for()
    assert page.locator("[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
    assert lab.outside == []


def test_compare_by_hand(lab):
    """Change a parameter in its cell, run all: the pages are about the other recipe."""
    lab.open("compare_variants")
    page = lab.page
    page.locator(".cm-content").first.get_by_text('"barley_pot"').dblclick()
    page.keyboard.insert_text("oat_pancakes")
    lab.run_all()
    page.get_by_role("heading", name="Oat and yogurt pancakes").wait_for()
    until(lambda: any(lab.is_ready(session) for session in lab.sessions() if "compare" in session["path"]))
    assert "oat_pancakes" in page.locator(".cm-content").first.inner_text()
    assert page.get_by_role("img", name=re.compile("sodium", re.I)).count() > 0
    assert page.locator("[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
    assert page.locator("[data-mime-type='application/vnd.jupyter.error']").count() == 0
    assert lab.outside == []
