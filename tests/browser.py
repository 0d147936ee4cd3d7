"""A real browser for tests of pages: no network, and everything that goes wrong is written down.

Import the fixture ``chromium`` into a test module and open pages with `opened`; without Playwright or Chromium
the tests that ask for it are skipped.
"""

import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

SIZES = (390, 768, 1440)  # a telephone, a tablet, a desk [px]
NAMES = ("chromium", "chromium-browser", "google-chrome")
AT_HOME = ("file:", "data:", "blob:", "about:")


@dataclass
class Opened:
    """A page, what it complained of, and what it asked of the network."""

    page: object
    errors: list = field(default_factory=list)
    left: list = field(default_factory=list)

    def overhang_px(self):
        """By how much the page is wider than the window."""
        return self.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )

    def printed(self):
        """Text of every page as it goes to the printer."""
        pdf = pytest.importorskip(
            "pypdfium2", reason="pypdfium2 is not installed: printed pages cannot be read"
        )
        paper = pdf.PdfDocument(self.page.pdf(prefer_css_page_size=True))
        try:
            return [paper[place].get_textpage().get_text_bounded() for place in range(len(paper))]
        finally:
            paper.close()


@pytest.fixture(scope="module")  # two of them may not run at once in one process
def chromium():
    """Chromium without a window."""
    playwright = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        pytest.skip("no Chromium on this machine")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@contextmanager
def opened(chromium, path, *, width=1440, height=900, scheme="light"):
    """A file opened in the browser.

    Parameters
    ----------
    chromium : Browser
        The fixture.
    path : path
        The page.
    width, height : int
        Size of the window [px].
    scheme : {"light", "dark"}

    Yields
    ------
    Opened
        With messages of the console (errors and warnings), exceptions and dialogues in `errors`, and every
        request that would have left the machine in `left`.
    """
    context = chromium.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    context.set_default_timeout(20_000)
    page = context.new_page()
    seen = Opened(page)

    def guard(route):
        if route.request.url.startswith(AT_HOME):
            route.continue_()
        else:
            seen.left.append(route.request.url)
            route.abort()

    def complain(message):
        if message.type in ("error", "warning"):
            seen.errors.append(f"{message.type}: {message.text}")

    def dismiss(dialogue):
        seen.errors.append(f"dialogue: {dialogue.message}")
        dialogue.dismiss()

    context.route("**/*", guard)
    page.on("console", complain)
    page.on("pageerror", lambda flaw: seen.errors.append(f"exception: {flaw}"))
    page.on("dialog", dismiss)
    try:
        page.goto(Path(path).resolve().as_uri())
        yield seen
    finally:
        context.close()
