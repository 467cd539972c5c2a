"""A request is a stranger's: its files stay in the job's folder, and nothing in it leads anywhere else."""

import base64
from contextlib import contextmanager
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

import pytest

from lawngis.errors import ParameterError
from lawngis.processing.cli.describe import process_named
from lawngis.processing.cli.main import DESCRIBED
from lawngis.processing.services.server import inputs
from lawngis.processing.services.server.inputs import received

pytest.importorskip("pygeoapi")
from lawngis.processing.services.server.configuration import LOCAL, served

PLAN = served(process_named("plan", DESCRIBED), allow_remote=False)
SCHEDULE = served(process_named("schedule", DESCRIBED), allow_remote=False)
BYTES = base64.b64encode(b"bytes").decode()


def test_files_come_by_value_and_texts_as_they_are(tmp_path):
    given = {"site": BYTES, "profile": "small", "parcel": ["P1", "P2"], "draws": 3, "position_sd_m": 1}
    assert received(PLAN, given, tmp_path) == {**given, "site": "site.gpkg"}
    assert (tmp_path / "site.gpkg").read_bytes() == b"bytes"
    own = {"site": {"value": BYTES, "encoding": "base64"}, "profile": 'title = "mine"'}
    assert received(PLAN, own, tmp_path) == {"site": "site.gpkg", "profile": "profile.toml"}
    assert (tmp_path / "profile.toml").read_text() == 'title = "mine"'
    assert received(SCHEDULE, {"source": BYTES, "quiet_hours": "x = 1"}, tmp_path)["quiet_hours"] == "quiet_hours.toml"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"site": BYTES, "profile": "/etc/passwd", "dem_unit": "/etc/passwd"}, "names no place on a disk"),
        ({"site": BYTES, "set": ["materials.price_book=../../secret.toml"]}, "names no place on a disk"),
        ({"site": BYTES, "bands": "red\ngreen"}, "names no place on a disk"),
        ({"site": BYTES, "bands": "x" * 1001}, "up to 1000 letters"),
        ({"site": BYTES, "log": "x"}, "no input 'log'"),
        ({"site": BYTES, "out": "x"}, "no input 'out'"),
        ({"site": "/etc/passwd"}, "not in base64"),
        ({"site": ["x"]}, "is no file"),
        ({"site": {"href": "file:///etc/passwd"}}, "follows none"),
        ({"site": BYTES, "draws": "3"}, "is no integer"),
        ({"site": BYTES, "draws": True}, "is no integer"),
        ({"site": BYTES, "parcel": ["P1"] * 1001}, "more than 1000 entries"),
        ({"profile": "small"}, "plan needs site"),
    ],
)
def test_what_a_request_may_not_bring_is_refused(given, words, tmp_path):
    with pytest.raises(ParameterError, match=words):
        received(PLAN, given, tmp_path)


def test_inputs_about_this_machine_are_not_offered():
    assert not PLAN["inputs"].keys() & set(LOCAL)
    assert "oneOf" not in PLAN["inputs"]["site"]["schema"]
    assert PLAN["outputs"].keys() == {"out"}


def test_addresses_are_followed_only_if_allowed_and_only_so_far(tmp_path, monkeypatch):
    open_to_all = served(process_named("plan", DESCRIBED), allow_remote=True)
    assert "oneOf" in open_to_all["inputs"]["site"]["schema"]
    for address in ("file:///etc/passwd", "ftp://127.0.0.1/x", "/etc/passwd"):
        with pytest.raises(ParameterError, match="begins with http"):
            received(open_to_all, {"site": {"href": address}}, tmp_path, allow_remote=True)

    (tmp_path / "site").write_bytes(b"x" * (2**20 + 5))
    with serving(tmp_path) as address:
        asked = {"site": {"href": f"{address}/site"}}
        assert received(open_to_all, asked, tmp_path, allow_remote=True)["site"] == "site.gpkg"
        assert (tmp_path / "site.gpkg").stat().st_size == 2**20 + 5
        with pytest.raises(ParameterError, match="leads to another server"):
            received(open_to_all, {"site": {"href": f"{address}/away"}}, tmp_path, allow_remote=True)
        monkeypatch.setattr(inputs, "FILE_MAX_MB", 1)
        with pytest.raises(ParameterError, match="more than 1 MB"):
            received(open_to_all, asked, tmp_path, allow_remote=True)


@contextmanager
def serving(folder):
    """A server of a folder's files on this machine, which leads elsewhere from one address."""

    class Handler(SimpleHTTPRequestHandler):
        def do_GET(self):
            if self.path != "/away":
                super().do_GET()
                return
            self.send_response(302)
            self.send_header("Location", f"http://localhost:{server.server_port}/site")
            self.end_headers()

        def log_message(self, *_):
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Handler, directory=str(folder))) as server:
        thread = Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}"
        finally:
            server.shutdown()
            thread.join()
