"""Who may ask the page anything."""

import pytest
from page import TOKEN, running

from athwart.book.store import create
from athwart.desk.guard import COOKIE


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    path = tmp_path_factory.mktemp("desk") / "season.gpkg"
    create(path)
    with running(path) as served:
        yield served


def test_the_token_is_exchanged_for_a_strict_cookie(page):
    answer = page.get(f"/?token={TOKEN}", Cookie="")
    assert answer.status == 303
    assert answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}={TOKEN}")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert page.get("/api/marks").status == 200


@pytest.mark.parametrize("path", ["/", "/api/marks", "/static/desk.css", "/?token=wrong"])
@pytest.mark.parametrize("cookie", ["", f"{COOKIE}=", f"{COOKIE}=wrong", f"other={TOKEN}"])
def test_without_the_token_nothing_is_said(page, path, cookie):
    answer = page.get(path, Cookie=cookie)
    assert answer.status == 401
    assert "whole address" in answer.text


@pytest.mark.parametrize(
    "host", ["evil.example:{}", "127.0.0.1", "127.0.0.1:80", "", "127.0.0.1.evil:{}", "0.0.0.0:{}"]
)
def test_a_name_that_was_made_to_point_here_is_refused(page, host):
    assert page.get("/api/marks", Host=host.format(page.port)).status in (400, 421)


@pytest.mark.parametrize("host", ["127.0.0.1:{}", "localhost:{}", "[::1]:{}", "LOCALHOST:{}"])
def test_the_machines_own_names_are_answered(page, host):
    assert page.get("/api/marks", Host=host.format(page.port)).status == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://127.0.0.1:{}", "http://127.0.0.1:9", ""]
)
def test_another_site_cannot_change_anything(page, origin):
    answer = page.post("/api/undo", Origin=origin.format(page.port))
    assert answer.status == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_browser_that_tells_of_another_site_is_believed(page, site):
    assert page.post("/api/undo", Sec_Fetch_Site=site).status == 403
    assert page.get("/api/marks", Sec_Fetch_Site=site).status == 403


def test_a_request_without_an_origin_changes_nothing(page):
    assert page.ask("POST", "/api/undo", {}).status == 403


def test_a_form_of_another_kind_is_no_question(page):
    answer = page.post("/api/undo", b"number=1", Content_Type="text/plain")
    assert answer.status == 400
    assert answer.json()["fault"] == "the question must be JSON"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/%2e%2e%2fapp.py",
        "/static/..%5capp.py",
        "/static/.hidden.js",
        "/static/pictures.html",
        "/static/app.py",
        "/static//etc/passwd",
        "/static/%00desk.css",
    ],
)
def test_no_path_leads_out_of_the_pages_files(page, path):
    assert page.get(path).status == 404


def test_a_gigabyte_is_refused_before_it_is_read(page):
    answer = page.post("/api/pictures", b"x", Content_Length=str(2**30), X_Name="a.png")
    assert answer.status == 413
    assert "64 MB" in answer.text


def test_a_stream_that_does_not_say_its_length_is_cut_off(page):
    pieces = (b"\0" * 2**20 for _ in range(70))
    answer = page.ask("POST", "/api/pictures", pieces, {"Origin": page.home, "X-Name": "a.png"})
    assert answer.status == 413
    assert page.get("/api/marks").status == 200


@pytest.mark.parametrize("path", ["/", "/api/marks", "/static/desk.css", "/nothing"])
def test_every_answer_forbids_scripts_from_elsewhere(page, path):
    headers = page.get(path).headers
    policy = headers["content-security-policy"]
    for part in ("default-src 'none'", "script-src 'self'", "frame-ancestors 'none'"):
        assert part in policy
    assert "unsafe-inline" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "name", ["../out.gpx", "/etc/out.gpx", "a/b.gpx", "..", ".out.gpx", "out.html", "a\\b.gpx", "",
     "C:out.gpx", "C:\\out.gpx", "a:b.gpx", "out.gpx.", "out.gpx ", "out.gpx:b.gpx", "\0.gpx", "a?.gpx",
     "\\\\there\\a.gpx"],
)  # fmt: skip
def test_files_are_written_into_the_books_folder_alone(page, name):
    answer = page.post("/api/hand-over/write", {"as": "gpx", "name": name})
    assert answer.status == 400
    assert "file name" in answer.json()["fault"] or "must end in" in answer.json()["fault"]


@pytest.mark.parametrize(
    "name", ["NUL.gpx", "con.gpx", "Com1.track.gpx", "aux .gpx", "LPT\u00b9.gpx"]
)
def test_no_file_gets_the_name_of_a_device(page, name):
    for ending, what in (("gpx", "gpx"), ("csv", "table")):
        given = name.replace("gpx", ending)
        answer = page.post("/api/hand-over/write", {"as": what, "name": given})
        assert answer.status == 400
        assert "a device on Windows; give another" in answer.json()["fault"]
        assert answer.json()["fault"].startswith(given)


@pytest.mark.parametrize("name", ["../season.gpkg", "/elsewhere/season.gpkg", "season.txt"])
def test_a_book_is_chosen_in_the_folder_alone(page, name):
    assert page.post("/api/book", {"name": name}).status == 400


@pytest.mark.parametrize("body", [b"[]", b"{", b'{"a": NaN}', b"[" * 100_000])
def test_questions_that_are_no_json_object_are_refused(page, body):
    answer = page.post("/api/undo", body, Content_Type="application/json")
    assert answer.status == 400
    assert "JSON" in answer.json()["fault"]


def test_only_the_loopback_address_listens(page):
    import socket

    host = socket.gethostbyname(socket.gethostname())
    if host.startswith("127."):
        pytest.skip("this machine has no address but the loopback one")
    with (
        pytest.raises(OSError, match=r"refused|timed out|unreachable"),
        socket.create_connection((host, page.port), timeout=2),
    ):
        pass
