"""Who is let in: the token, the server's own name, its own pages, files inside the folder."""

import pytest


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with a report in it, and a secret beside it."""
    top = tmp_path_factory.mktemp("place")
    (top / "vehicle").mkdir()
    (top / "vehicle" / "report.html").write_text("<p>a report</p>")
    (top / "vehicle" / ".hidden.html").write_text("hidden")
    (top / "secret.html").write_text("secret")
    (top / "vehicle" / "way-out.html").symlink_to(top / "secret.html")
    return top / "vehicle"


@pytest.fixture(scope="module")
def server(folder):
    from tests.bench.stand import Server

    one = Server(folder, "--largest-upload-mb", "1")
    yield one
    one.end()


def test_the_link_lets_in_once_and_its_cookie_from_then_on(server, look):
    page = look(server)
    assert page.url == f"{server.url}/before"  # without the token
    cookie = page.context.cookies()[0]
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert page.evaluate("document.cookie") == ""


@pytest.mark.parametrize("path", ["/", "/before", "/static/bench.css", "/documents/report.html"])
def test_nothing_is_shown_without_the_token(server, path):
    assert server.ask(path, token=False)[0] == 403
    assert server.ask(path, token=server.token[:-1] + "x")[0] == 403
    assert server.ask(path + "?token=guess", token=False)[0] == 403


def test_another_name_for_this_server_is_refused(server):
    for host in ("evil.example", f"evil.example:{server.port}", "127.0.0.1", "127.0.0.1:1"):
        assert server.ask("/before", host=host)[0] == 421
    assert server.ask("/before", host=f"localhost:{server.port}")[0] == 200


def test_another_site_may_neither_ask_nor_change_anything(server):
    assert server.ask("/before", Origin="http://evil.example")[0] == 403
    put = {"method": "PUT", "body": b"x"}
    assert server.ask("/files/a.log", **put, Origin="http://evil.example")[0] == 403
    assert server.ask("/files/a.log", **put, Origin="null")[0] == 403
    assert server.ask("/files/a.log", **put, Origin=None)[0] == 403
    cross = {"Origin": None, "Sec_Fetch_Site": "cross-site"}
    assert server.ask("/files/a.log", **put, **cross)[0] == 403


@pytest.mark.parametrize(
    "name",
    [
        "../secret.html",
        "..%2Fsecret.html",
        "%2e%2e/secret.html",
        "x/../../secret.html",
        "way-out.html",
        ".hidden.html",
        "%00",
        "/etc/passwd",
        "//etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_folder(server, name):
    status, _, body = server.ask(f"/documents/{name}")
    assert status in (400, 404)
    assert b"secret" not in body.replace(name.encode(), b"").replace(b"secret.html", b"")


def test_a_report_is_shown_as_a_page_of_no_site(server):
    status, headers, body = server.ask("/documents/report.html")
    assert (status, body) == (200, b"<p>a report</p>")
    assert headers["content-security-policy"].startswith("sandbox ")
    assert "allow-same-origin" not in headers["content-security-policy"]


def test_every_page_says_what_it_may_load(server):
    policy = server.ask("/before")[1]["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_an_upload_is_kept_under_a_name_of_its_own(server, folder):
    first = server.ask("/files/..%2F..%2Fa.log", "PUT", b"one")
    assert first[0] == 404  # no such address: a name holds no folder
    for number, name in enumerate(("a.log", "a-2.log"), start=1):
        status, _, body = server.ask("/files/a.log", "PUT", b"x" * number)
        assert (status, body) == (201, b'{"name":"received/%s"}' % name.encode())
        assert (folder / "received" / name).read_bytes() == b"x" * number


def test_an_upload_over_the_bound_is_refused_by_its_header_before_it_is_sent(server, folder):
    status, _, body = server.ask("/files/two-gb.log", "PUT", Content_Length=str(2 << 30))
    assert status == 413
    assert b"Put the file into the folder" in body
    assert not (folder / "received" / "two-gb.log").exists()


def test_an_upload_that_does_not_say_how_large_it_is_is_cut_off_at_the_bound(server, folder):
    chunk = b"%x\r\n" % (1 << 19) + b"x" * (1 << 19) + b"\r\n"
    import socket

    with socket.create_connection(("127.0.0.1", server.port), timeout=20) as wire:
        head = (
            f"PUT /files/endless.log HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\n"
            f"Origin: {server.url}\r\nCookie: canscope-{server.port}={server.token}\r\n"
            "Transfer-Encoding: chunked\r\n\r\n"
        )
        wire.sendall(head.encode() + 3 * chunk)
        assert b" 413 " in wire.recv(4096)
    left = [path.name for path in (folder / "received").iterdir()]
    assert not [name for name in left if "endless" in name or name.endswith(".part")]


def test_a_posted_form_is_small(server):
    assert server.ask("/before", "POST", b"x" * (1 << 17))[0] == 413


def test_every_address_of_this_computer_is_no_address(tmp_path):
    import subprocess
    import sys

    words = [sys.executable, "-m", "canscope", "bench", str(tmp_path), "--listen-on", "0.0.0.0"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "every address" in done.stderr


def test_letting_others_in_says_what_that_means(tmp_path, serve):
    """127.0.0.2 is this computer as well (RFC 1122, 3.2.1.3 g), and not the usual name of it."""
    server = serve(tmp_path, "--listen-on", "127.0.0.2")
    assert "ATTENTION: this page is open to other computers at 127.0.0.2" in server.said
    assert "Nothing on the way is encrypted" in server.said
    assert server.link.startswith("http://127.0.0.2:")
