"""The server with a real client: processes at once and in the background, two at a time, one ended, a plan's layers."""

import base64
import io
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pyogrio
import pytest
import rasterio

pytest.importorskip("pygeoapi")
pytestmark = pytest.mark.slow

WAIT_S = 120


def text_of(path):
    return base64.b64encode(path.read_bytes()).decode()


@pytest.fixture(scope="module")
def files(tmp_path_factory, build):
    """A site of one parcel, and its plan."""
    from lawngis.processing.cli.main import main

    folder = tmp_path_factory.mktemp("served")
    site = build.site(folder / "site")
    assert main(["plan", str(site), "--out", str(folder / "plan")]) == 0
    return folder


@pytest.fixture(scope="module")
def served(files):
    """The address of a server, its process, and the folder in which it works."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (files / "tmp").mkdir()
    words = [sys.executable, "-m", "lawngis.processing.cli.main", "serve", files / "plan", "--port", str(port)]
    environment = {**os.environ, "TMPDIR": str(files / "tmp")}
    with (
        (files / "log").open("w") as log,
        subprocess.Popen(words, stdout=subprocess.PIPE, stderr=log, text=True, env=environment) as server,
    ):
        try:
            said = server.stdout.readline()
            assert said == f"serving at http://127.0.0.1:{port}\n", (files / "log").read_text()
            (work,) = (files / "tmp").glob("lawngis-serve-*")
            yield said.split()[-1], server, work
        finally:
            server.kill()


@pytest.fixture(scope="module")
def processes(served):
    from owslib.ogcapi.processes import Processes

    return Processes(served[0])


@pytest.fixture(scope="module")
def layers(served):
    from owslib.ogcapi.features import Features

    return Features(served[0])


def request(address, path, inputs=None, *, method=None, background=False):
    import requests

    headers = {"Prefer": "respond-async"} if background else {}
    if inputs is None:
        return requests.request(method or "GET", f"{address}/{path}", headers=headers, timeout=WAIT_S)
    execution = f"{address}/processes/{path}/execution"
    return requests.post(execution, json={"inputs": inputs}, headers=headers, timeout=WAIT_S)


def job_when(location, wanted):
    """The job when its status is one of those wanted."""
    import requests

    until = time.monotonic() + WAIT_S
    while time.monotonic() < until:
        job = requests.get(f"{location}?f=json", timeout=WAIT_S).json()
        if job["status"] in wanted:
            return job
        time.sleep(0.2)
    raise AssertionError(job)


def test_processes_are_described_as_what_they_take(processes):
    listed = {one["id"] for one in processes.processes()}
    assert {"plan", "slope", "lawn", "zones", "wire", "summary"} <= listed
    assert not listed & {"deliver", "check"}
    zones = processes.process("zones")
    assert {"sync-execute", "async-execute"} <= set(zones["jobControlOptions"])
    assert zones["inputs"]["source"]["schema"]["contentMediaType"] == "application/geopackage+sqlite3"


def test_a_client_runs_slope_and_gets_a_raster(processes, files):
    made = processes.execute("slope", {"dem": text_of(files / "site" / "dem.tif"), "unit": "degree"})
    (out,) = made["outputs"]
    assert out["mediaType"].startswith("image/tiff")
    with rasterio.open(io.BytesIO(base64.b64decode(out["value"]))) as raster:
        assert raster.descriptions[0] or raster.count == 1


def test_two_jobs_run_at_once_and_leave_only_their_results(served, files, tmp_path):
    address, _, work = served
    site = {"site": text_of(files / "site" / "site.gpkg"), "dem": text_of(files / "site" / "dem.tif")}
    step = {"source": site["site"], "dem": site["dem"], "sliver_width_m": 0.2}
    jobs = [request(address, name, given, background=True) for name, given in (("plan", site), ("lawn", step))]
    assert [job.status_code for job in jobs] == [201, 201]
    for number, (job, layer) in enumerate(zip(jobs, ("wire_path", "lawn"), strict=True)):
        done = job_when(job.headers["Location"], ("successful", "failed"))
        assert (done["status"], done["progress"]) == ("successful", 100), done
        result = tmp_path / f"{number}.gpkg"
        result.write_bytes(request(address, job.headers["Location"].removeprefix(f"{address}/") + "/results").content)
        assert len(pyogrio.read_dataframe(result, layer=layer)) == 1
    names = {path.name for path in work.iterdir() if path.is_dir()}
    assert names == set()


def test_a_job_that_is_ended_leaves_nothing(served, files):
    address, _, work = served
    before = {path.name for path in work.iterdir()}
    site = {"site": text_of(files / "site" / "site.gpkg"), "dem": text_of(files / "site" / "dem.tif"), "draws": 1000}
    job = request(address, "plan", site, background=True).headers["Location"]
    job_when(job, ("running",))
    folder = work / job.rpartition("/")[2]
    assert (folder / "site.gpkg").exists()
    ended = request(address, job.removeprefix(f"{address}/"), method="DELETE")
    assert ended.json()["status"] == "dismissed"
    assert request(address, job.removeprefix(f"{address}/")).status_code == 404
    assert {path.name for path in work.iterdir()} == before
    assert folder.name not in "".join(working_folders())


def working_folders():
    """Those of all processes: a job's works in the job's own."""
    for path in Path("/proc").glob("[0-9]*"):
        try:
            yield str((path / "cwd").readlink())
        except OSError:
            continue


def test_what_is_wrong_is_said(served, files):
    address = served[0]
    wrong = request(address, "slope", {"dem": base64.b64encode(b"no raster").decode()})
    assert wrong.status_code == 400 and "dem.tif: is no TIFF" in wrong.json()["description"]
    assert "/" not in wrong.json()["description"].replace("lawngis", "")
    wrong = request(address, "lawn", {"source": text_of(files / "site" / "site.gpkg"), "sliver_width_m": 7})
    assert wrong.status_code == 400 and "sliver_width_m" in wrong.json()["description"]
    assert request(address, "plan", {"site": {"href": "http://127.0.0.1/x"}}).status_code == 400


def test_no_address_of_a_request_is_called_back(served, files):
    import requests

    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(1)
        place = f"http://127.0.0.1:{listening.getsockname()[1]}/"
        body = {"inputs": {"dem": text_of(files / "site" / "dem.tif")}, "subscriber": {"successUri": place}}
        execution = f"{served[0]}/processes/slope/execution"
        assert requests.post(execution, json=body, timeout=WAIT_S).status_code == 200
        with pytest.raises(TimeoutError, match="timed out"):
            listening.accept()


def test_layers_of_the_plan_are_collections_with_descriptions(layers, files):
    names = layers.feature_collections()
    assert {"summary", "zones", "wire_path", "materials"} <= set(names)
    pegs = pyogrio.read_dataframe(files / "plan" / "plan.gpkg", layer="pegs")
    found = layers.collection_items("pegs", limit=5, offset=2)
    assert (found["numberMatched"], len(found["features"])) == (len(pegs), 5)
    west, south, east, north = layers.collection("zones")["extent"]["spatial"]["bbox"][0]
    assert 8.9 < west < east < 9.1 and 49.6 < south < north < 49.7
    assert layers.collection_items("zones", bbox=[0, 0, 1, 1])["numberMatched"] == 0
    assert layers.collection_items("zones", bbox=[west, south, east, north])["numberMatched"] == 1
    zone = layers.collection_item("zones", "P1-Z1")
    assert zone["geometry"]["type"] == "Polygon" and zone["properties"]["role"] == "home"
    said = layers.collection_schema("zones")["properties"]
    assert said["area_m2"]["title"] == "ground area" and said["area_m2"]["x-ogc-unit"] == "m²"
    assert layers.collection_items("materials")["features"][0]["geometry"] is None
    one = layers.collection_items("pegs", peg_kind="dock")
    assert one["numberMatched"] == int((pegs["peg_kind"] == "dock").sum()) > 0


IN_THE_GIS = """
import os, sys
os.environ["QT_QPA_PLATFORM"] = "offscreen"
from qgis.core import QgsApplication, QgsVectorLayer
application = QgsApplication([], True)
application.initQgis()
plan, address = sys.argv[1:]
for name in ("pegs", "zones"):  # a file first: its client crashes where nothing else has opened one before
    file = QgsVectorLayer(f"{plan}|layername={name}", name, "ogr")
    served = QgsVectorLayer(f"url='{address}' typename='{name}'", name, "OAPIF")
    read = len([1 for _ in served.getFeatures()])
    print("SAID", name, file.featureCount(), read, served.fields().names()[1], flush=True)
os._exit(0)
"""


def test_the_desktop_gis_reads_the_layers(gis, served, files):
    environment = {**os.environ, "HOME": str(files), "XDG_RUNTIME_DIR": str(files)}
    words = [gis, "-c", IN_THE_GIS, files / "plan" / "plan.gpkg", served[0]]
    ran = subprocess.run(words, capture_output=True, text=True, timeout=WAIT_S, env=environment, check=False)
    said = [line.split()[1:] for line in ran.stdout.splitlines() if line.startswith("SAID")]
    assert [line[0] for line in said] == ["pegs", "zones"], ran.stderr
    for _, stored, read, second in said:
        assert stored == read != "0"
        assert second == "parcel_id" or second.endswith(("_id", "_no"))


def test_a_server_that_is_asked_to_end_takes_its_jobs_and_its_folder_along(served, files):
    """The last test: it ends the server."""
    address, server, work = served
    site = {"site": text_of(files / "site" / "site.gpkg"), "dem": text_of(files / "site" / "dem.tif"), "draws": 1000}
    job = request(address, "plan", site, background=True).headers["Location"]
    job_when(job, ("running",))
    server.send_signal(signal.SIGTERM)
    server.wait(WAIT_S)
    assert not work.exists()
    assert str(work) not in "".join(working_folders())
    assert server.returncode == 0


def test_who_opens_it_to_others_is_told_what_that_means(lawngis, files):
    with socket.create_server(("0.0.0.0", 0)) as taken:
        port = str(taken.getsockname()[1])
        outcome = lawngis("serve", files / "plan", "--host", "0.0.0.0", "--port", port)
    told, ended = outcome.err.splitlines()
    assert "no password and no encryption" in told
    assert "nothing can listen to 0.0.0.0" in ended and "--port" in ended
    assert outcome.code == 2
