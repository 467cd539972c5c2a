"""Features of a server in an area, page by page: OGC API - Features, and WFS 2.0.

References
----------
OGC API - Features - Part 1: Core (OGC 17-069r4), and Part 2: Coordinate Reference Systems by Reference (OGC 18-058r1).
OGC Web Feature Service 2.0 Interface Standard (OGC 09-025r2).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urljoin, urlsplit
from xml.etree.ElementTree import Element, ParseError, fromstring

import geopandas
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from lawngis.errors import SiteError

from ..files import gpkg
from ..files.rasters import Bounds
from ..files.remote import Answer, Server

PAGE_FEATURES = 1000
FEATURES_MAX = 2_000_000
PAGES_MAX = 10_000
TEXT_MAX = 4000
"""Features asked for at a time, features and pages taken, and characters of a value, beyond which it is left out."""

CRS84 = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
_GEOJSON = "application/geo+json, application/json;q=0.9"
_DOWNLOAD = "Download the data, and name the file."


@dataclass(frozen=True)
class RemoteLayer:
    """Features that were fetched, what their layer is called, and whom to name by the server's own words."""

    name: str
    table: geopandas.GeoDataFrame
    attribution: str
    unreadable: int
    """Features without a geometry that can be read; they are left out."""


def remote_layer(server: Server, area: Bounds, folder: Path) -> RemoteLayer:
    """Return the features of a collection, or feature type, that touch an area.

    Parameters
    ----------
    server
        Of an address of OGC API - Features (landing page, collection or its items) or of a WFS.
    area
        West, south, east, north [degrees].
    folder
        For pages that GDAL reads.

    Raises
    ------
    SiteError
        When the answers are no features, lie elsewhere, have no end, or a collection must be chosen.
    """
    query = {key.casefold(): value for key, value in parse_qsl(urlsplit(server.address).query)}
    last = urlsplit(server.address).path.rstrip("/").rpartition("/")[2].casefold()
    is_wfs = query.get("service", "").casefold() == "wfs" or last == "wfs"
    return _wfs_layer(server, query, area, folder) if is_wfs else _api_layer(server, area)


def _api_layer(server: Server, area: Bounds) -> RemoteLayer:
    collection, landing = _collection(server)
    crs = _storage_crs(collection)
    items = _link(collection, "items", ("application/geo+json", "application/json"))
    if items is None:
        raise server.refusal("offers no features as GeoJSON", _DOWNLOAD)
    west, south, east, north = area
    more = {"limit": str(PAGE_FEATURES), "bbox": f"{west!r},{south!r},{east!r},{north!r}"}
    more |= {"crs": crs} if crs != CRS84 else {}
    pages = _api_pages(server, items, more, crs)
    rows, shapes, unreadable = _rows(pages, server)
    table = geopandas.GeoDataFrame(rows, geometry=shapes, crs=_known_crs(crs, server))
    return RemoteLayer(
        str(collection.get("id", "features")), _in_area(table, area, server), _told(collection, landing), unreadable
    )


def _collection(server: Server) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
    """Return the description of the collection that an address means, and that of what it belongs to."""
    place = urlsplit(server.address)
    at_items = re.fullmatch(r"(.*/collections/[^/]+)/items(/.*)?", place.path)
    address = place._replace(path=at_items[1], query="").geturl() if at_items else server.address
    found = _json(server, server.document(address, accept="application/json"))
    if "id" in found and _links(found, "items"):
        up = re.sub(r"/collections/.*", "/", urlsplit(address).path)
        home = _link(found, "root", ("application/json", "")) or up
        return found, _json(server, server.document(home, accept="application/json"))
    landing = found
    if "collections" not in found:
        data = _link(found, "data", ("application/json", ""))
        if data is None:
            raise server.refusal("is no service of features", "Name a collection, or a WFS with ?service=WFS.")
        found = _json(server, server.document(data, accept="application/json"))
    listed = found["collections"] if isinstance(found.get("collections"), list) else []
    there = [entry for entry in listed if _links(entry, "items")]
    if len(there) != 1:
        names = ", ".join(str(entry.get("id"))[:40] for entry in there[:20]) or "none"
        raise server.refusal(f"has several collections: {names}", "Name one: ADDRESS/collections/NAME.")
    return there[0], landing


def _api_pages(server: Server, items: str, more: Mapping[str, str], crs: str) -> Iterator[list[Any]]:
    """Yield the features of each page, along the links from one to the next."""
    address: str | None = items
    seen: set[str] = set()
    given = matched = 0
    while address is not None:
        if address in seen or len(seen) >= PAGES_MAX:
            raise server.refusal(f"gives pages without an end, after {given:,} features", _DOWNLOAD)
        seen.add(address)
        answer = server.document(address, accept=_GEOJSON, more=more if len(seen) == 1 else None)
        told = answer.headers.get("Content-Crs", f"<{CRS84}>").strip("<> ")
        if told.rpartition("/crs/")[2].replace("CRS84h", "CRS84") != crs.rpartition("/crs/")[2]:
            raise server.refusal(f"answers in {told[:100]}, not in {crs[:100]} as asked", _DOWNLOAD)
        page = _json(server, answer)
        features = _features(page, server)
        given += len(features)
        count = page.get("numberMatched")
        matched = count if isinstance(count, int) else matched
        _refuse_many(server, given)
        yield features
        address = _link(page, "next", ("application/geo+json", "application/json", ""))
    if given < matched:
        raise server.refusal(f"gave {given:,} of {matched:,} features", "Try again, or name a smaller --area.")


def _storage_crs(collection: Mapping[str, Any]) -> str:
    """Return the CRS in which features are kept where they may be had in it, else that of longitude and latitude."""
    kept = collection.get("storageCrs")
    offered = collection.get("crs")
    return kept if isinstance(kept, str) and isinstance(offered, list) and kept in offered else CRS84


def _known_crs(crs: str, server: Server) -> CRS:
    if crs.endswith(("CRS84", "CRS84h")):
        return CRS.from_user_input("OGC:CRS84")
    written = re.search(r"EPSG(?:/[\d.]+/|:[\d.]*:|:)(\d+)$", crs.rstrip("/"))
    try:
        return CRS.from_epsg(int(written[1])) if written else CRS.from_user_input(crs)
    except CRSError as error:
        raise server.refusal(f"answers in a CRS that nobody knows ({crs[:100]})", _DOWNLOAD) from error


def _wfs_layer(server: Server, query: Mapping[str, str], area: Bounds, folder: Path) -> RemoteLayer:
    service = {"service": "WFS", "version": "2.0.0"}
    told = _xml(
        server, server.document(server.address, accept="text/xml", more=service | {"request": "GetCapabilities"})
    )
    if _local(told) != "WFS_Capabilities" or not told.get("version", "").startswith("2."):
        raise server.refusal(f"is no WFS 2.0 ({_local(told)} {told.get('version', '')})"[:100], _DOWNLOAD)
    kind = _feature_type(server, told, query.get("typenames", query.get("typename", "")))
    name, crs_name = _text(kind, "Name"), _text(kind, "DefaultCRS") or _text(kind, "DefaultSRS")
    crs = _known_crs(crs_name, server)
    formats = [element.text or "" for element in told.iter() if _local(element) in ("Value", "Format")]
    as_json = next((word for word in formats if "json" in word.casefold()), None)
    asked = service | {
        "request": "GetFeature", "typeNames": name, "srsName": crs_name, "count": str(PAGE_FEATURES),
        "bbox": ",".join(f"{number!r}" for number in (area[1], area[0], area[3], area[2]))
        + ",urn:ogc:def:crs:EPSG::4326",
    }  # fmt: skip
    asked |= {"outputFormat": as_json} if as_json else {}
    pages = _wfs_pages(server, asked, folder, as_json=bool(as_json))
    tables, unreadable = [], 0
    for page in pages:
        if isinstance(page, list):
            rows, shapes, some = _rows([page], server)
            page = geopandas.GeoDataFrame(rows, geometry=shapes, crs=crs)  # noqa: PLW2901
        else:
            some = int(page.geometry.isna().sum())
            page = page[page.geometry.notna()]  # noqa: PLW2901
        tables.append(page if page.crs is not None else page.set_crs(crs))
        unreadable += some
    table = pd.concat(tables, ignore_index=True) if tables else geopandas.GeoDataFrame(geometry=[], crs=crs)
    provider = _words(_text(told, "ProviderName"))
    terms = [_words(_text(told, word)) for word in ("AccessConstraints", "Fees")]
    licence = ", ".join(dict.fromkeys(word for word in terms if word and word.casefold() != "none"))
    named = "; ".join(part for part in (provider, f"licence: {licence}" if licence else "") if part)
    return RemoteLayer(name.rpartition(":")[2], _in_area(table, area, server), named, unreadable)


def _wfs_pages(
    server: Server, asked: Mapping[str, str], folder: Path, *, as_json: bool
) -> Iterator[list[Any] | geopandas.GeoDataFrame]:
    """Yield pages until one is short; a server that gives the same page again has no end."""
    given, before = 0, b""
    for number in range(PAGES_MAX):
        more = {**asked, "startIndex": str(given)} if given else asked
        answer = server.document(server.address, accept="*/*", more=more)
        if as_json:
            page = _json(server, answer)
            found: Any = _features(page, server)
            count, told = len(found), page.get("numberMatched")
            body = json.dumps(found).encode()
        else:
            root = _xml(server, answer)
            if _local(root) != "FeatureCollection":
                raise server.refusal(f"answers with {_local(root)}, not with features"[:100], _DOWNLOAD)
            returned = root.get("numberReturned", "")
            count, told = int(returned) if returned.isdigit() else len(root), root.get("numberMatched")
            file = folder / f"page-{number}.gml"
            file.write_bytes(answer.body)
            infos = gpkg.layer_overview(file) if count else []
            found = gpkg.read_layer(file, infos[0].name) if infos else None
            body = b"".join(re.findall(rb"<\w+:?member>.*", answer.body, re.DOTALL))
        if count and body == before:
            raise server.refusal(f"gives the same page again, after {given:,} features", _DOWNLOAD)
        before = body
        given += count
        _refuse_many(server, given)
        if found is not None:
            yield found
        matched = int(str(told)) if str(told).isdigit() else None
        if not count or (matched is not None and given >= matched) or (matched is None and count < PAGE_FEATURES):
            if matched is not None and given < matched:
                raise server.refusal(f"gave {given:,} of {matched:,} features", "Name a smaller --area.")
            return
    raise server.refusal(f"gives pages without an end, after {given:,} features", _DOWNLOAD)


def _feature_type(server: Server, told: Element, wanted: str) -> Element:
    kinds = [element for element in told.iter() if _local(element) == "FeatureType"]
    chosen = [kind for kind in kinds if wanted in ("", _text(kind, "Name"))]
    if len(chosen) != 1:
        names = ", ".join(_text(kind, "Name")[:40] for kind in kinds[:20]) or "none"
        raise server.refusal(f"has several feature types: {names}", "Name one: ADDRESS?service=WFS&typeNames=NAME.")
    return chosen[0]


def _refuse_many(server: Server, given: int) -> None:
    if given > FEATURES_MAX:
        raise server.refusal(f"gives more than {FEATURES_MAX:,} features", "Name a smaller --area.")


def _json(server: Server, answer: Answer) -> dict[str, Any]:
    try:
        found = json.loads(answer.body, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise _other(server, answer) from error
    if not isinstance(found, dict):
        raise _other(server, answer)
    collections = found.get("collections")
    for entry in (found, *(collections if isinstance(collections, list) else ())):
        for link in _all_links(entry):
            link["href"] = urljoin(answer.address, link["href"])
    return found


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _xml(server: Server, answer: Answer) -> Element:
    if b"<!DOCTYPE" in answer.body or b"<!ENTITY" in answer.body:
        raise _other(server, answer)  # what it declares may grow without an end
    try:
        return fromstring(answer.body)
    except (ParseError, ValueError, LookupError) as error:
        raise _other(server, answer) from error


def _other(server: Server, answer: Answer) -> SiteError:
    page = b"<html" in answer.body[:2000].lower()
    what = "answers with a web page" if page else f"answers with {answer.kind or 'something'} that can't be read"
    return server.refusal(
        what, "Name a collection (https://.../collections/NAME), a WFS with ?service=WFS, or a GeoTIFF (.tif)."
    )


def _features(page: Mapping[str, Any], server: Server) -> list[Any]:
    features = page.get("features")
    if page.get("type") != "FeatureCollection" or not isinstance(features, list):
        raise server.refusal("answers with JSON that is no collection of features", _DOWNLOAD)
    return features


def _rows(pages: Any, server: Server) -> tuple[list[dict[str, Any]], list[BaseGeometry], int]:
    """Return values and geometries of features, and how many have none that can be read."""
    rows: list[dict[str, Any]] = []
    shapes: list[BaseGeometry] = []
    unreadable = 0
    for page in pages:
        for feature in page:
            try:
                shape = shapely.force_2d(shapely.geometry.shape(feature["geometry"]))
                values = {str(key): value for key, value in (feature.get("properties") or {}).items()}
            except (LookupError, TypeError, ValueError, AttributeError, RecursionError, shapely.errors.ShapelyError):
                unreadable += 1
                continue
            number = {"id": feature["id"]} if isinstance(feature.get("id"), str | int) else {}
            rows.append({key: value for key, value in (number | values).items() if _plain(value)})
            shapes.append(shape)
    if unreadable and not rows:
        raise server.refusal("answers with features none of which can be read", _DOWNLOAD)
    return rows, shapes, unreadable


def _plain(value: Any) -> bool:
    return value is None or isinstance(value, bool | int | float) or (isinstance(value, str) and len(value) <= TEXT_MAX)


def _in_area(table: geopandas.GeoDataFrame, area: Bounds, server: Server) -> geopandas.GeoDataFrame:
    """Return features of which some lie in the area, else with their axes swapped, else refuse them.

    Servers differ in whether they write the axes in the CRS's own order.
    """
    if not len(table):
        return table
    box = geopandas.GeoSeries([shapely.segmentize(shapely.box(*area), 0.01)], crs="EPSG:4326").to_crs(table.crs)
    asked = box.iloc[0]
    if table.intersects(asked).any():
        return table
    swapped = table.set_geometry(
        shapely.transform(table.geometry.to_numpy(), lambda places: places[:, ::-1]), crs=table.crs
    )
    if swapped.intersects(asked).any():
        return swapped
    raise server.refusal("answers with features elsewhere than was asked, or in another CRS than it says", _DOWNLOAD)


def _all_links(entry: Any) -> list[dict[str, Any]]:
    links = entry.get("links") if isinstance(entry, dict) else None
    listed = links if isinstance(links, list) else []
    return [link for link in listed if isinstance(link, dict) and isinstance(link.get("href"), str)]


def _links(entry: Any, relation: str) -> list[dict[str, Any]]:
    return [link for link in _all_links(entry) if link.get("rel") == relation]


def _link(entry: Mapping[str, Any], relation: str, kinds: Sequence[str]) -> str | None:
    """Return the address under a relation, of the first media type that it is there in."""
    there = [(str(link.get("type") or "").partition(";")[0], str(link["href"])) for link in _links(entry, relation)]
    return next((address for kind in kinds for theirs, address in there if theirs == kind), None)


def _told(*entries: Mapping[str, Any]) -> str:
    """Return whom a service names and under which licence, by the first entries that say so."""
    makers = [_words(entry.get("attribution")) for entry in entries]
    licences = [
        _words(link.get("title")) or _words(link.get("href")) for entry in entries for link in _links(entry, "license")
    ]
    licences += [_words(entry.get("license")) for entry in entries]
    maker, licence = (next((word for word in words if word), "") for words in (makers, licences))
    return "; ".join(part for part in (maker, f"licence: {licence}" if licence else "") if part)


def _words(value: Any) -> str:
    """Return what somebody else's server says, as plain words on one line."""
    text = re.sub(r"<[^>]*>", " ", value) if isinstance(value, str) else ""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())[:300]


def _local(element: Element) -> str:
    return element.tag.rpartition("}")[2]


def _text(element: Element, name: str) -> str:
    return next((each.text or "" for each in element.iter() if _local(each) == name), "").strip()
