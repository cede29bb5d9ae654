"""A server on a folder of its own, and one browser for all tests."""

import pytest
from playwright.sync_api import sync_playwright

from tests.bench.stand import Server
from tests.report.browser import chromium


@pytest.fixture(scope="session")
def browser():
    """A real Chromium, which may play sound only after a person has touched the page."""
    program = chromium()
    with sync_playwright() as playwright:
        shown = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield shown
        shown.close()


@pytest.fixture
def serve(tmp_path):
    """Start servers; they are gone when the test is."""
    begun = []

    def start(folder=tmp_path, *more, **named):
        begun.append(Server(folder, *more, **named))
        return begun[-1]

    yield start
    for one in begun:
        one.end()
        one.end_left_run()


@pytest.fixture
def look(browser):
    """Open the page of a server; what goes wrong in it (policy, scripts) fails the test."""
    contexts, wrong = [], []

    def counts(said):  # a request that is refused, or that nobody answers, is told as well
        return said.type == "error" and not said.text.startswith("Failed to load resource")

    def at(server, path="/", width=1280, height=900, **options):
        size = {"width": width, "height": height}
        contexts.append(browser.new_context(viewport=size, **options))
        page = contexts[-1].new_page()
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if counts(said) else None)
        page.goto(server.link)
        if path != "/":
            page.goto(server.url + path)
        return page

    yield at
    for context in contexts:
        context.close()
    assert wrong == []
