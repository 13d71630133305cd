"""A desk that listens, one for a module, and a browser that visits it."""

from urllib.parse import urlsplit

import pytest
from driving import turn_to
from page import TOKEN, running
from season import season


@pytest.fixture(scope="module")
def served():
    with running(None) as page:
        yield page


@pytest.fixture
def desk(served, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    folder = tmp_path / "books"
    folder.mkdir()
    served.desk.book, served.desk.folder = season(folder), folder
    served.desk.pictures.things.clear()  # a page shows again what was opened before
    return served


@pytest.fixture
def visit(browser, desk):
    """Open a page; at the end nothing but the desk was asked and nothing went wrong."""
    contexts, asked, wrong = [], [], []

    def open_page(path, width=1200, height=800, scheme="light", before=None):
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.on("request", lambda r: asked.append(r.url))
        page.on(
            "console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on("dialog", lambda d: (wrong.append(f"dialog {d.message}"), d.dismiss()))
        if before:
            before(page)
        turn_to(page, f"{desk.home}/?token={TOKEN}")
        turn_to(page, desk.home + path)
        return page

    yield open_page
    for context in contexts:
        context.close()
    hosts = {urlsplit(u).netloc for u in asked if not u.startswith(("data:", "blob:"))}
    assert hosts <= {urlsplit(desk.home).netloc}, hosts
    assert wrong == []
