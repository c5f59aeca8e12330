"""Records for others against what was published: the rules of the Darwin Core text guide and python-dwca-reader, GDAL's GeoPackage validator and pyogrio, the
GPX schema, shapely. Tampered files must fail each of these, so that they are known to bite. All records are invented."""

import csv
import io
import json
import pathlib
import re
import shutil
import sqlite3
import subprocess
import sys
import uuid
import zipfile

import pyogrio
import pytest
import shapely
from conftest import ROOT, rakelight, rakelight_json
from dwca.read import DwCAReader
from lxml import etree
from PIL import Image
from test_schema import check

TERMS = {
    line
    for name in ("darwin_core_terms.txt", "audiovisual_terms.txt")
    for line in (ROOT / "fixtures" / "reference" / name).read_text().splitlines()
    if not line.startswith("#")
}
TEXT = "{http://rs.tdwg.org/dwc/text/}"
DWC = "http://rs.tdwg.org/dwc/terms/"
ROW_TYPES = {
    "event.csv": DWC + "Event",
    "occurrence.csv": DWC + "Occurrence",
    "extendedmeasurementorfact.csv": "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact",
    "humboldt.csv": "http://rs.tdwg.org/eco/terms/Event",
    "multimedia.csv": "http://rs.tdwg.org/ac/terms/Multimedia",
}
PAIRS = [
    ("sampleSizeValue", "sampleSizeUnit"),
    ("organismQuantity", "organismQuantityType"),
    ("samplingEffortValue", "samplingEffortUnit"),
    ("eventDurationValue", "eventDurationUnit"),
    ("decimalLatitude", "decimalLongitude"),
    ("decimalLatitude", "geodeticDatum"),
    ("decimalLatitude", "coordinateUncertaintyInMeters"),
    ("measurementValue", "measurementUnit"),
    ("measurementValue", "measurementAccuracy"),
]
VISIT = """
[visit]
purpose = "otter survey"
protocol = "both_banks_300"
start = 2026-09-{day:02}T08:00:00+02:00
end = 2026-09-{day:02}T09:30:00+02:00
people = ["Ada Holm", "=HYPERLINK(1)"]
place_name = "{place}"
landowner = "Marit Oldacre"
sensitivity_category = {category}

[conditions]
days_without_rain = 7
water_level = "low"

[[stretch]]
name = "Sallow Reach"
line = [[{lon}, {lat}], [{lon2}, {lat2}]]
bank = "left"
searched_m = 320

[[stretch]]
name = "Sallow Reach, back"
line = [[{lon2}, {lat2}], [{lon}, {lat}]]
bank = "right"
searched_m = 310
{signs}
"""
SIGN = """
[[sign]]
id = "{id}"
kind = "dropping"
place = [{lon}, {lat}]
time = 2026-09-{day:02}T08:40:00+02:00
droppings = [{{ contents = ["fish_bones"], smell = "sweet_fishy", prominent_spot = true, checked = true }}]
note = {note}
"""
HOSTILE = ["=cmd|'/c calc'!A0", "@SUM(1+1)", "<script>alert(1)</script>", "\u202egpj.exe", "וידרה 🦦", "-2+3", "x" * 10_000]


def survey(folder, name, day, place, category, lat, lon, signs=()):
    """A visit in a store of its own folder, by the command line."""
    source = folder / name
    source.mkdir()
    told = "".join(
        SIGN.format(id=f"s{i}", lat=lat + 1e-5 * i, lon=lon + 1e-5 * i, day=day, note=json.dumps(note, ensure_ascii=False)) for i, note in enumerate(signs)
    )
    text = VISIT.format(day=day, place=place, category=category, lat=lat, lon=lon, lat2=lat + 0.0031, lon2=lon + 0.0042, signs=told)
    (source / "visit.toml").write_text(text, encoding="utf-8")
    rakelight("visit", source, "--out", folder / "house")
    return folder / "house" / "store"


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    rakelight("demo", folder, "--demo-folder", ROOT / "fixtures" / "demo-visit")
    return folder / "store"


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Three visits: one with hostile notes, one with nothing found, one at the first one's place that is less sensitive."""
    folder = tmp_path_factory.mktemp("team")
    survey(folder, "hostile", 3, "Sallow Bridge", 2, 53.12347, 9.54327, HOSTILE)
    survey(folder, "nothing", 4, "Alder Ford", 3, 53.73247, 9.84327)
    return survey(folder, "sibling", 5, "sallow bridge", 4, 53.12347, 9.54327, ["again"])


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    def export(store, form, *more, licence="CC-BY-4.0"):
        out = tmp_path_factory.mktemp("out") / f"records.{form}"
        document = rakelight_json("export", "--store", store, "--out", out, "--format", form, "--licence", licence, *more)
        check(document, "export")
        assert document["out"] == str(out)
        return out

    return export


# The archive.


def tables(archive):
    """By file: the terms of its columns in order (None for an extension's first) and its rows."""
    with zipfile.ZipFile(archive) as members:
        meta = etree.fromstring(members.read("meta.xml"))
        read = {}
        for part in meta:
            name = part.findtext(f"{TEXT}files/{TEXT}location")
            rows = list(csv.reader(io.StringIO(members.read(name).decode("utf-8")), strict=True))
            columns = [None] * len(rows[0])
            for field in part.findall(f"{TEXT}field"):
                if int(field.get("index")) < len(columns):
                    columns[int(field.get("index"))] = field.get("term")
            read[name] = (columns, rows[1:])
        return meta, read


def faults(archive):
    """What is wrong with an archive by section 1 of the text guide and the terms' own definitions."""
    meta, read = tables(archive)
    wrong = []

    def asks(holds, what):
        if not holds:
            wrong.append(what)

    asks(meta.tag == TEXT + "archive" and meta.get("metadata") == "eml.xml", "root")
    kinds = [etree.QName(part).localname for part in meta]
    asks(kinds[:1] == ["core"] and set(kinds[1:]) <= {"extension"}, f"one core, then extensions: {kinds}")
    for part in meta:
        kind, name = etree.QName(part).localname, part.findtext(f"{TEXT}files/{TEXT}location")
        identifier = "id" if kind == "core" else "coreid"
        order = [etree.QName(child).localname for child in part]
        asks(order[:2] == ["files", identifier] and set(order[2:]) == {"field"}, f"{name}: order {order[:3]}")
        asks(part.get("rowType") == ROW_TYPES.get(name), f"{name}: row type")
        said = [part.get(key) for key in ("encoding", "fieldsTerminatedBy", "linesTerminatedBy", "fieldsEnclosedBy", "ignoreHeaderLines")]
        asks(said == ["UTF-8", ",", "\\n", '"', "1"], f"{name}: {said}")
        indices = [int(field.get("index")) for field in part.findall(f"{TEXT}field")]
        first = 0 if kind == "core" else 1
        columns, rows = read[name]
        asks(indices == list(range(first, len(columns))), f"{name}: indices")
        asks(part[1].get("index") == "0", f"{name}: {identifier} isn't the first column")
        asks(all(len(row) == len(columns) for row in rows), f"{name}: rows of different length")
        terms = [field.get("term") for field in part.findall(f"{TEXT}field")]
        asks(len(set(terms)) == len(terms), f"{name}: a term twice")
        asks(set(terms) <= TERMS, f"{name}: not terms: {set(terms) - TERMS}")
    rows_by_name = {name: [dict(zip((term and term.rsplit("/", 1)[-1] for term in columns), row)) for row in rows] for name, (columns, rows) in read.items()}
    events = {row["eventID"]: row for row in rows_by_name["event.csv"]}
    asks(len(events) == len(rows_by_name["event.csv"]), "event identifiers twice")
    asks(all(row["parentEventID"] in ("", *events) for row in events.values()), "a parent that isn't there")
    for name, key in [("occurrence.csv", "occurrenceID"), ("extendedmeasurementorfact.csv", "measurementID"), ("multimedia.csv", "identifier")]:
        ids = [row[key] for row in rows_by_name[name]]
        asks(len(set(ids)) == len(ids), f"{key} twice")
        asks(all(is_uuid(one) for one in ids), f"{key} isn't a UUID")
    for name, rows in rows_by_name.items():
        if name != "event.csv":
            asks(all(row[None] in events for row in rows), f"{name}: hangs on nothing")
        for row in rows:
            for value, unit in PAIRS:
                if value in row and unit in row:
                    asks((row[value] == "") == (row[unit] == ""), f"{name}: {value} without {unit}")
            if row.get("coordinateUncertaintyInMeters"):
                asks(float(row["coordinateUncertaintyInMeters"]) > 0, f"{name}: uncertainty 0")
            for key in ("isSamplingEffortReported", "isAbsenceReported", "hasNonTargetTaxa", "hasMaterialSamples"):
                asks(row.get(key, "true") in ("true", "false"), f"{name}: {key}")
    occurrences = rows_by_name["occurrence.csv"]
    asks({row["basisOfRecord"] for row in occurrences} <= {"HumanObservation"}, "basis of record")
    status = {row["occurrenceStatus"] for row in occurrences}
    asks(status <= {"present", "absent"} or status <= {"detected", "notDetected"}, f"two vocabularies: {status}")
    known = {row["occurrenceID"] for row in occurrences}
    asks(all(row["occurrenceID"] in known for row in rows_by_name["extendedmeasurementorfact.csv"]), "a measure of nothing")
    for row in rows_by_name["humboldt.csv"]:
        absent, targets = split(row["absentTaxa"]), split(row["targetTaxonomicScope"])
        asks((row["isAbsenceReported"] == "true") == bool(absent), "absence without a taxon")
        asks(set(absent) <= set(targets), "an absence of what wasn't looked for")
        here = {r["scientificName"] for r in occurrences if r["occurrenceStatus"] in ("absent", "notDetected") and r[None] == row[None]}
        asks(here == set(absent), "absences that differ")
        found = [r for r in occurrences if r["occurrenceStatus"] in ("present", "detected")]
        below = {e for e in events if row[None] in ancestors(events, e)}
        asks(not any(r[None] in below and r["scientificName"] in absent for r in found), "absent and found at once")
    return wrong


def ancestors(events, event):
    while event:
        yield event
        event = events.get(event, {}).get("parentEventID")


def split(text):
    return [part for part in text.split(" | ") if part]


def is_uuid(text):
    return str(uuid.UUID(text)) == text


def tampered(archive, to, member, change):
    """A copy with one member changed."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(to, "w") as new:
        for name in old.namelist():
            text = old.read(name).decode("utf-8")
            new.writestr(name, change(text) if name == member else text)
    return to


@pytest.mark.parametrize("which", ["demo", "store"])
@pytest.mark.parametrize("vocabulary", ["before-2026", "2026"])
def test_an_archive_keeps_the_rules_and_is_read_by_another_program(which, vocabulary, request, export):
    archive = export(request.getfixturevalue(which), "dwca", "--vocabulary", vocabulary)
    assert faults(archive) == []
    with DwCAReader(archive) as reader:
        assert reader.orphaned_extension_rows() == {name: {} for name in ROW_TYPES if name != "event.csv"} or not any(
            reader.orphaned_extension_rows().values()
        )
        assert reader.descriptor.core.type == DWC + "Event"
        rows = list(reader.rows)
        assert len(rows) == len(tables(archive)[1]["event.csv"][1])
        assert sum(len(row.extensions) for row in rows) == sum(len(rows) for name, (_, rows) in tables(archive)[1].items() if name != "event.csv")
    status = {row[3] for row in tables(archive)[1]["occurrence.csv"][1]}
    assert status <= ({"present", "absent"} if vocabulary == "before-2026" else {"detected", "notDetected"})


@pytest.mark.parametrize(
    "member, change, told",
    [
        ("meta.xml", lambda text: text.replace("<coreid", "<coreId"), "order"),
        ("meta.xml", lambda text: re.sub(r"<coreid[^>]*>", "", text, count=1), "order"),
        ("meta.xml", lambda text: text.replace('rowType="http://rs.tdwg.org/dwc/terms/Occurrence"', 'rowType="http://rs.tdwg.org/dwc/terms/Taxon"'), "row type"),
        ("meta.xml", lambda text: text.replace('index="3"', 'index="4"', 1), "indices"),
        ("meta.xml", lambda text: text.replace("terms/decimalLatitude", "terms/latitude"), "not terms"),
        ("meta.xml", lambda text: text.replace(' metadata="eml.xml"', ""), "root"),
        ("event.csv", lambda text: text.replace(",EPSG:4326,", ",,", 1), "geodeticDatum"),
        ("event.csv", lambda text: re.sub(r"EPSG:4326,\d+", "EPSG:4326,0", text, count=1), "uncertainty 0"),
        ("event.csv", lambda text: text + text.splitlines()[1] + "\n", "twice"),
        ("event.csv", lambda text: re.sub(r"(?m)^[0-9a-f-]{36},,", "00000000-0000-8000-8000-000000000000,,", text, count=1), "hangs on nothing"),
        ("occurrence.csv", lambda text: text.replace("present", "detected", 1), "two vocabularies"),
        ("humboldt.csv", lambda text: text.replace("true,Lutra lutra", "true,Castor fiber"), "looked for"),
        ("extendedmeasurementorfact.csv", lambda text: text.replace(",mm,", ",,", 1), "measurementUnit"),
    ],
)
def test_a_tampered_archive_is_seen(member, change, told, demo, store, export, tmp_path):
    archive = export(demo if member == "extendedmeasurementorfact.csv" else store, "dwca")
    bad = tampered(archive, tmp_path / "bad.zip", member, change)
    assert any(told in fault for fault in faults(bad)), faults(bad)


def test_a_row_that_hangs_on_nothing_is_an_orphan_to_another_program_too(store, export, tmp_path):
    archive = export(store, "dwca")
    bad = tampered(archive, tmp_path / "bad.zip", "humboldt.csv", lambda text: re.sub(r"(?m)^[0-9a-f]{8}-", "00000000-", text, count=1))
    with DwCAReader(bad) as reader:
        assert any(reader.orphaned_extension_rows().values())


def test_the_archive_says_what_it_is_in_eml(store, export):
    archive = export(store, "dwca", "--title", "Otters <here> & there", "--team", "Lower Ald group", licence="cc0-1.0")
    with zipfile.ZipFile(archive) as members:
        eml = etree.fromstring(members.read("eml.xml"))
    assert eml.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml" and eml.get("packageId") and eml.get("system")
    dataset = eml.find("dataset")
    assert dataset.findtext("title") == "Otters <here> & there" and dataset.findtext("creator/organizationName") == "Lower Ald group"
    assert dataset.findtext("licensed/identifier") == "CC0-1.0"
    assert dataset.find("intellectualRights//ulink").get("url") == "https://creativecommons.org/publicdomain/zero/1.0/legalcode"
    # The order of EML 2.2.0's dataset module.
    order = "alternateIdentifier shortName title creator metadataProvider associatedParty pubDate language series abstract keywordSet additionalInfo intellectualRights licensed distribution coverage annotation purpose introduction gettingStarted acknowledgements maintenance contact publisher pubPlace methods project".split()
    places = [order.index(child.tag) for child in dataset]
    assert places == sorted(places)
    bounds = dataset.find("coverage//boundingCoordinates")
    west, east, north, south = (float(part.text) for part in bounds)
    assert west <= east and south <= north
    said = " ".join(dataset.find("additionalInfo").itertext())
    assert "0.1°" in said and "Withheld" in said
    assert dataset.findtext("coverage/temporalCoverage/rangeOfDates/beginDate/calendarDate") == "2026-09-03"


def test_what_was_not_found_is_said_with_its_effort(store, export):
    _, read = tables(export(store, "dwca"))
    columns, rows = read["humboldt.csv"]
    rows = [dict(zip((term and term.rsplit("/", 1)[-1] for term in columns), row)) for row in rows]
    (nothing,) = [row for row in rows if row["isAbsenceReported"] == "true"]
    assert nothing["absentTaxa"] == "Lutra lutra" and float(nothing["samplingEffortValue"]) > 0 and nothing["samplingEffortUnit"] == "metre"
    assert nothing["reportedWeather"] == "days without rain: 7; water level: low"


# What leaves and what doesn't.


def everything(path):
    """All bytes of a file or folder, those of an archive's members unpacked."""
    if path.is_dir():
        return b"".join(file.name.encode() + file.read_bytes() for file in sorted(path.iterdir()))
    data = path.read_bytes()
    if zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as members:
            data += b"".join(members.read(name) for name in members.namelist())
    return data


@pytest.mark.parametrize("form", ["dwca", "geojson", "gpx", "gpkg", "csv", "photos"])
@pytest.mark.parametrize("notes", [[], ["--with-notes"]], ids=["", "notes"])
def test_no_place_leaves_more_exactly_than_its_category(form, notes, store, demo, export):
    data = everything(export(store, form, *notes))
    for digits in ["53.12", "9.54", "53.732", "9.843", "53.1235", "Sallow", "sallow", "Alder", "Oldacre", "Holm"]:
        assert digits.encode() not in data, digits
    data = everything(export(demo, form, *notes))
    for digits in ["54.00", "7.60", "7.61", "Quillmark", "Tarnel", "Fennwick", "Oldacre", "IMG_01", "Exif", "GPS"]:
        assert digits.encode() not in data, digits


def test_the_most_sensitive_record_of_a_place_counts_for_all(store, tmp_path):
    said = rakelight_json("export", "--store", store, "--out", tmp_path / "a.csv", "--format", "csv", "--licence", "CC0-1.0")
    assert said["generalised"] == {"2": 2, "3": 1} and said["withheld"]["positions"] > 0
    said = rakelight_json("export", "--store", store, "--out", tmp_path / "b.csv", "--format", "csv", "--licence", "CC0-1.0", "--category", 1)
    assert said["generalised"] == {"1": 3}


def test_an_exact_export_needs_a_reason_and_tells_it(store, export, tmp_path):
    to = ["export", "--store", store, "--out", tmp_path / "x.csv", "--format", "csv", "--licence", "CC0-1.0"]
    assert "--why" in rakelight(*to, "--exact", expect=2)
    assert "cannot be used with" in rakelight(*to, "--exact", "--why", "x", "--category", "2", expect=2)
    out = export(store, "geojson", "--exact", "--why", "the authority asked")
    document = json.loads(out.read_text())
    assert b"53.12347" in everything(out) and b"the authority asked" in everything(out) and b"Oldacre" not in everything(out)
    lines = [f for f in document["features"] if f["geometry"] and f["geometry"]["type"] == "LineString"]
    assert len(lines) == 6 and all(f["properties"]["locality"].startswith("Sallow Reach") for f in lines)


def test_copies_of_photographs_are_pixels_alone(demo, export):
    folder = export(demo, "photos")
    with open(folder / "photographs.csv", encoding="utf-8", newline="") as file:
        listed = list(csv.DictReader(file))
    assert {row["file"] for row in listed} == {path.name for path in folder.glob("*.jpg")} and len(listed) == 7
    for row in listed:
        assert is_uuid(pathlib.Path(row["file"]).stem)
        with Image.open(folder / row["file"]) as copy:
            assert copy.size == (int(row["width_px"]), int(row["height_px"]))
            assert not copy.getexif() and set(copy.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_what_cannot_be_is_refused(store, tmp_path):
    out = tmp_path / "records.csv"
    to = ["export", "--store", store, "--out", out, "--format", "csv"]
    refused = rakelight(*to, "--licence", "GPL-3.0", expect=2)
    assert "GPL-3.0" in refused and "CC-BY-NC-4.0" in refused
    assert "--licence" in rakelight(*to, expect=2)
    assert "5" in rakelight(*to, "--licence", "CC0-1.0", "--category", "5", expect=2)
    assert "lies before" in rakelight(*to, "--licence", "CC0-1.0", "--from", "2026-09-05", "--to", "2026-09-03", expect=2)
    assert "no visit" in rakelight(*to, "--licence", "CC0-1.0", "--from", "2030-01-01", expect=2)
    assert "https://" in rakelight(*to, "--licence", "CC0-1.0", "--photos-at", "ftp://x", expect=2)
    assert "shapefile" in rakelight("export", "--store", store, "--out", out, "--format", "shapefile", "--licence", "CC0-1.0", expect=2)
    rakelight("export", "--store", tmp_path / "none", "--out", out, "--format", "csv", "--licence", "CC0-1.0", expect=2)
    assert list(tmp_path.iterdir()) == []
    out.write_text("mine")
    assert "isn't written over" in rakelight(*to, "--licence", "CC0-1.0", expect=2)
    assert out.read_text() == "mine"


# The other formats.


def test_no_cell_is_a_formula_and_no_text_turns_round(store, export):
    for form in ("csv", "dwca"):
        out = export(store, form, "--with-notes", "--names", "--title", "=1+1", "--team", "@me")
        texts = [out.read_text("utf-8")] if form == "csv" else [zipfile.ZipFile(out).read(name).decode() for name in ROW_TYPES]
        cells = [cell for text in texts for row in csv.reader(io.StringIO(text)) for cell in row]
        assert any(cell == "x" * 10_000 or "x" * 9_000 in cell for cell in cells) and any("וידרה 🦦" in cell for cell in cells)
        for cell in cells:
            assert not cell.startswith(("=", "@", "\t", "\r")) and "\u202e" not in cell and "\n" not in cell
            assert not cell.startswith(("+", "-")) or re.fullmatch(r"[+-][0-9.]+", cell)


def gpx_faults(path, schema):
    document = etree.parse(str(path))
    return [] if schema.validate(document) else [str(error) for error in schema.error_log]


@pytest.fixture(scope="session")
def gpx_schema(tmp_path_factory):
    """The GPX 1.1 schema out of Debian's package zoph; nothing of it is kept."""
    folder = tmp_path_factory.mktemp("zoph")
    if not shutil.which("apt-get") or not shutil.which("dpkg"):
        pytest.skip("SKIPPED: the GPX schema is in a Debian package, and there is no apt-get here")
    got = subprocess.run(["apt-get", "download", "-qq", "zoph"], cwd=folder, capture_output=True, text=True)
    package = next(folder.glob("*.deb"), None)
    if package is None:
        pytest.skip(f"SKIPPED: Debian's package zoph, which has the GPX schema, can't be had: {got.stderr.strip()}")
    subprocess.run(["dpkg", "-x", package, folder / "in"], check=True)
    return etree.XMLSchema(etree.parse(str(folder / "in" / "usr/share/zoph/www/php/xml/gpx11.xsd")))


def test_gpx_is_as_its_schema_says_and_a_tampered_one_is_not(store, export, gpx_schema, tmp_path):
    for more in ([], ["--exact", "--why", "a check", "--names", "--with-notes"]):
        out = export(store, "gpx", *more)
        assert gpx_faults(out, gpx_schema) == []
    text = out.read_text("utf-8")
    assert "<rte>" in text and "<trk" not in text
    for change in [
        lambda t: t.replace('version="1.1"', 'version="1.0"', 1),
        lambda t: t.replace(' lat="', ' latitude="', 1),
        lambda t: re.sub(r"<time>([^<]*)</time><name>([^<]*)</name>(<desc>)", r"<name>\2</name><time>\1</time>\3", t, count=1),
        lambda t: re.sub(r'lat="[^"]*"', 'lat="91.5"', t, count=1),
    ]:
        bad = tmp_path / "bad.gpx"
        bad.write_text(change(text), encoding="utf-8")
        assert change(text) != text and gpx_faults(bad, gpx_schema)


def geojson_faults(path):
    """What RFC 7946 asks."""
    document = json.loads(path.read_text("utf-8"))
    wrong = [] if document["type"] == "FeatureCollection" else ["type"]
    wrong += ["crs"] if "crs" in document else []
    for feature in document["features"]:
        if feature["type"] != "Feature" or "properties" not in feature:
            wrong.append("feature")
        if feature["geometry"] is None:
            continue
        try:
            shape = shapely.geometry.shape(feature["geometry"])
        except Exception as error:  # whatever shapely makes of it
            wrong.append(f"geometry: {error}")
            continue
        west, south, east, north = shape.bounds
        if not (shape.is_valid and -180 <= west <= east <= 180 and -90 <= south <= north <= 90):
            wrong.append(f"off the earth: {shape.bounds}")
        if shape.geom_type == "Polygon" and not shape.exterior.is_ccw:
            wrong.append("winding")
        lat, lon = feature["properties"].get("decimalLatitude"), feature["properties"].get("decimalLongitude")
        if shape.geom_type == "Point" and (shape.x, shape.y) != (lon, lat):
            wrong.append("longitude comes before latitude")
    for number in re.findall(r"-?\d+\.\d+", json.dumps([f["geometry"] for f in document["features"]])):
        if len(number.split(".")[1]) > 7:
            wrong.append(f"decimals: {number}")
    return wrong


def test_geojson_is_as_the_rfc_says_and_a_tampered_one_is_not(store, export, tmp_path):
    for more in ([], ["--exact", "--why", "a check"]):
        out = export(store, "geojson", *more)
        assert geojson_faults(out) == []
        assert {f["properties"]["record"] for f in json.loads(out.read_text())["features"]} >= {"visit", "sign"}
    text = out.read_text("utf-8")
    for change, told in [
        (lambda t: t.replace("{", '{"crs":{},', 1), "crs"),
        (lambda t: re.sub(r'"coordinates":\[([\d.]+),([\d.]+)\]', r'"coordinates":[\2,\1]', t, count=1), "longitude"),
        (lambda t: re.sub(r'"coordinates":\[([\d.]+),', r'"coordinates":[9.123456789,', t, count=1), "decimals"),
        (lambda t: t.replace('"type":"LineString"', '"type":"Polygon"', 1), "geometry"),
    ]:
        bad = tmp_path / "bad.geojson"
        bad.write_text(change(text), encoding="utf-8")
        assert any(told in fault for fault in geojson_faults(bad)), (told, geojson_faults(bad))


@pytest.fixture(scope="session")
def validate(tmp_path_factory):
    """GDAL's own validator, which needs Python alone; its package asks for all of GDAL, so it is taken without what it asks for."""
    folder = tmp_path_factory.mktemp("gdal-utils")
    taken = subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--disable-pip-version-check", "--target", folder, "gdal-utils==3.13.3.0"],
        capture_output=True,
        text=True,
    )
    script = folder / "osgeo_utils" / "samples" / "validate_gpkg.py"
    if not script.exists():
        pytest.skip(f"SKIPPED: PyPI's gdal-utils, which has the GeoPackage validator, can't be had: {taken.stderr.strip()}")

    def validate(path):
        done = subprocess.run([sys.executable, script, path], capture_output=True, text=True, env={"PYTHONPATH": str(folder)})
        return done.returncode, done.stdout + done.stderr

    return validate


def test_a_geopackage_is_valid_and_a_tampered_one_is_not(store, export, validate, tmp_path):
    for more in ([], ["--exact", "--why", "a check"]):
        out = export(store, "gpkg", *more)
        assert validate(out) == (0, validate(out)[1]), validate(out)
    with sqlite3.connect(out) as package:
        assert package.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
        assert package.execute("PRAGMA user_version").fetchone()[0] == 10300
    for statement, told in [
        ("PRAGMA application_id = 0", "Req 2"),
        ("UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = 4325 WHERE srs_id = 4326", ""),
        ("UPDATE gpkg_geometry_columns SET srs_id = 9999", ""),
        ("UPDATE signs SET geom = X'4750000100000000' WHERE fid = 1", ""),
        ("UPDATE gpkg_contents SET last_change = 'yesterday'", ""),
    ]:
        bad = tmp_path / "bad.gpkg"
        shutil.copy(out, bad)
        with sqlite3.connect(bad) as package:
            package.execute(statement)
        package.close()
        code, said = validate(bad)
        assert code != 0 and told in said, (statement, said)


def test_a_geopackage_is_read_by_gdal(store, export):
    out = export(store, "gpkg")
    layers = {name: kind for name, kind in pyogrio.list_layers(out)}
    assert layers == {"visits": "Point", "stretches": "LineString", "signs": "Point", "measurements": None}
    meta, _, shapes, fields = pyogrio.raw.read(out, layer="signs")
    assert meta["crs"] == "EPSG:4326" and len(shapes) == len(HOSTILE) + 1 + 1
    points = [shapely.from_wkb(shape) for shape in shapes]
    assert {(point.x, point.y) for point in points} == {(9.5, 53.1), (9.85, 53.73)}  # signs, and the middle of the bank where none was found
    names = dict(zip(meta["fields"], fields))
    assert set(names["occurrenceStatus"]) == {"present", "absent"} and min(names["coordinateUncertaintyInMeters"]) > 1000
