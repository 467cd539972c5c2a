"""Servers on this machine, each in a thread: of files in parts, of features, and of answers that nobody wants."""

from __future__ import annotations

import json
import os
import re
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import pytest


@contextmanager
def answering(answer):
    """A server whose answers a function gives: of path and headers, (status, headers, body); what was asked is kept."""
    asked = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append((self.path, self.headers.get("Range", "")))
            status, headers, body = answer(self.path, self.headers)
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()
            try:
                for piece in [body] if isinstance(body, bytes) else body:
                    server.sent += len(piece)  # before the other side can have it, and look here
                    self.wfile.write(piece)
            except OSError:
                pass  # the other side has had enough

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.sent, server.asked, server.address = 0, asked, f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def file_in_parts(path):
    """Answers of a server of one file that gives parts of it (RFC 9110, section 14)."""
    content = path.read_bytes()

    def answer(_, headers):
        told = re.fullmatch(r"bytes=(\d+)-(\d+)", headers.get("Range", ""))
        if told is None:
            return 200, {"Content-Length": str(len(content))}, content
        first, last = int(told[1]), min(int(told[2]), len(content) - 1)
        part = content[first : last + 1]
        where = {"Content-Range": f"bytes {first}-{last}/{len(content)}", "Content-Length": str(len(part))}
        return 206, where | {"ETag": '"1"'}, part

    return answer


def web_feature_service(features, *, page=2, gml=None):
    """Answers of a WFS 2.0 (OGC 09-025r2, table 8 and the examples of annex B) with features as GeoJSON, or as GML."""
    kinds = "application/gml+xml; version=3.2" if gml else "application/json"
    told = f"""<?xml version="1.0"?><wfs:WFS_Capabilities version="2.0.0" xmlns:wfs="http://www.opengis.net/wfs/2.0"
      xmlns:ows="http://www.opengis.net/ows/1.1" xmlns:a="http://a.example">
      <ows:ServiceIdentification><ows:Fees>none</ows:Fees>
        <ows:AccessConstraints>Licence of open data 2.0</ows:AccessConstraints></ows:ServiceIdentification>
      <ows:ServiceProvider><ows:ProviderName>Town of A</ows:ProviderName></ows:ServiceProvider>
      <ows:OperationsMetadata><ows:Operation name="GetFeature"><ows:Parameter name="outputFormat"><ows:AllowedValues>
        <ows:Value>{kinds}</ows:Value></ows:AllowedValues></ows:Parameter></ows:Operation></ows:OperationsMetadata>
      <wfs:FeatureTypeList><wfs:FeatureType><wfs:Name>a:parcels</wfs:Name>
        <wfs:DefaultCRS>urn:ogc:def:crs:EPSG::25832</wfs:DefaultCRS></wfs:FeatureType></wfs:FeatureTypeList>
      </wfs:WFS_Capabilities>"""

    def answer(path, _):
        query = {key.casefold(): values[0] for key, values in parse_qs(urlsplit(path).query).items()}
        if query["request"] == "GetCapabilities":
            return 200, {"Content-Type": "text/xml"}, told.encode()
        assert query["typenames"] == "a:parcels" and query["bbox"].endswith("urn:ogc:def:crs:EPSG::4326")
        first = int(query.get("startindex", 0))
        some = features[first : first + min(page, int(query["count"]))]
        if gml:
            return 200, {"Content-Type": "application/gml+xml"}, gml(some, len(features)).encode()
        found = {"type": "FeatureCollection", "numberMatched": len(features), "features": some}
        return 200, {"Content-Type": "application/json"}, json.dumps(found).encode()

    return answer


@contextmanager
def features_api(folder, features, **collection):
    """pygeoapi with one collection, parcels, kept in EPSG:25832, of which a page has three features."""
    pytest.importorskip("pygeoapi")
    import yaml
    from pygeoapi.openapi import generate_openapi_document
    from werkzeug.serving import make_server

    data = folder / "parcels-data.geojson"
    data.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    crs = ["http://www.opengis.net/def/crs/OGC/1.3/CRS84", "http://www.opengis.net/def/crs/EPSG/0/25832"]
    licence = {"type": "text/html", "rel": "license", "title": "CC BY 4.0", "href": "https://licence.example/by"}
    resource = {
        "type": "collection", "title": "Parcels", "description": "made", "keywords": ["a"], "links": [licence],
        "extents": {"spatial": {"bbox": [-180, -90, 180, 90], "crs": crs[0]}},
        "providers": [{"type": "feature", "name": "GeoJSON", "data": str(data), "id_field": "id", "crs": crs,
                       "storage_crs": crs[0]}],
    }  # fmt: skip
    http = make_server("127.0.0.1", 0, lambda *told: application(*told), threaded=True)  # noqa: PLW0108
    address = f"http://127.0.0.1:{http.server_port}"
    settings = {
        "server": {"bind": {"host": "127.0.0.1", "port": http.server_port}, "url": address,
                   "mimetype": "application/json", "encoding": "utf-8", "languages": ["en-US"],
                   "gzip": False, "admin": False, "limits": {"default_items": 3, "max_items": 3},
                   "map": {"url": "a", "attribution": "a"}},
        "logging": {"level": "ERROR"},
        "metadata": {"identification": {"title": "a", "description": "a", "keywords": ["a"], "keywords_type": "theme",
                                        "terms_of_service": "a", "url": "http://example.org"},
                     "license": {"name": "a", "url": "http://example.org"}, "provider": {"name": "a", "url": "a"},
                     "contact": {"name": "a"}},
        "resources": {"parcels": resource | collection},
    }  # fmt: skip
    (folder / "api.yml").write_text(yaml.safe_dump(settings))
    os.environ |= {"PYGEOAPI_CONFIG": str(folder / "api.yml"), "PYGEOAPI_OPENAPI": str(folder / "openapi.json")}
    (folder / "openapi.json").write_text(generate_openapi_document(folder / "api.yml", "json"))
    from pygeoapi.flask_app import APP as application

    thread = threading.Thread(target=http.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield address
    finally:
        http.shutdown()
        http.server_close()
        thread.join()
