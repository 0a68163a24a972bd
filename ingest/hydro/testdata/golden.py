"""Makes readings.tsv and alerts.tsv from the folder of real files.

python golden.py readings FOLDER > readings.tsv
python golden.py alerts FOLDER > alerts.tsv

Nothing of the project is used: json, csv and xml.etree of Python, and unit
factors written out here (foot 0.3048 m, acre 43560 square feet, inch 25.4 mm).
"""
import csv, datetime, json, re, sys, xml.etree.ElementTree as ET
from zoneinfo import ZoneInfo

FT = 0.3048
CFS = FT**3
AF = 43560 * FT**3
UTC = datetime.timezone.utc


def utc(t):
    return t.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def iso(s):
    return utc(datetime.datetime.fromisoformat(s)) if s else "-"


def row(file, gauge, quantity, points):
    """points: (aware time, SI value or None)"""
    have = [(t, v) for t, v in sorted(points, key=lambda p: p[0]) if v is not None]
    values = [v for _, v in have]
    print(file, gauge, quantity, len(points), len(have), utc(min(t for t, _ in points)), utc(max(t for t, _ in points)),
          utc(have[-1][0]), *("%.10g" % v for v in (have[0][1], have[-1][1], min(values), max(values), sum(values))), sep="\t")


def readings(folder):
    print("file", "gauge", "quantity", "points", "valued", "first", "last", "newest", "v_first", "v_newest", "min", "max", "sum", sep="\t")
    for name, factor, quantity in [("usgs.iv.11342000.20140509.json", FT, "river_stage"), ("usgs.iv.13206000.20230113.json", CFS, "river_discharge")]:
        for series in json.load(open(folder + name))["value"]["timeSeries"]:
            row(name, series["sourceInfo"]["siteCode"][0]["value"], quantity,
                [(datetime.datetime.fromisoformat(v["dateTime"]), float(v["value"]) * factor) for v in series["values"][0]["value"]])
    name = "usgs.dv.02177000.rdb"
    points = []
    for line in open(folder + name):
        cells = line.rstrip("\n").split("\t")
        if cells[0] == "USGS":
            points.append((datetime.datetime.fromisoformat(cells[2]).replace(tzinfo=UTC), float(cells[3]) * CFS))
    row(name, "02177000", "river_discharge", points)
    name = "nwps.ACRT2.stageflow.json"
    reply = json.load(open(folder + name))
    for part in "observed", "forecast":
        for key, factor, quantity in ("primary", FT, "river_stage"), ("secondary", 1000 * CFS, "river_discharge"):
            row(name + "#" + part, "ACRT2", quantity, [(datetime.datetime.fromisoformat(d["validTime"]), None if d[key] == -999 else d[key] * factor)
                                                       for d in reply[part]["data"]])
    name = "cdec.VIL.20220215-0228.csv"
    rows = list(csv.DictReader(open(folder + name)))
    pst = datetime.timezone(datetime.timedelta(hours=-8))
    row(name, "VIL", "reservoir_storage", [(datetime.datetime.strptime(r["OBS DATE"], "%Y%m%d %H%M").replace(tzinfo=pst), float(r["VALUE"]) * AF) for r in rows])
    name = "cdec.VLC.swe.19900309-0407.txt"
    rows = list(csv.DictReader(open(folder + name), delimiter="\t"))
    row(name, "VLC", "swe", [(datetime.datetime.fromisoformat(r["Date"]).replace(tzinfo=pst), float(r["SWE_Inches"]) * 25.4 if r["SWE_Inches"] else None) for r in rows])
    mst = datetime.timezone(datetime.timedelta(hours=-7))
    for name, key in [("snotel.awdb.538.CO.WTEQ.daily.20200320.json", "date"), ("snotel.awdb.538.CO.WTEQ.hourly.20200102.json", "date"),
                      ("snotel.awdb.658.CO.WTEQ.semimonthly.2020.json", "collectionDate")]:
        reply = json.load(open(folder + name))[0]
        row(name, reply["stationTriplet"], "swe", [(datetime.datetime.fromisoformat(v[key]).replace(tzinfo=mst), v["value"] * 25.4) for v in reply["data"][0]["values"]])
    name = "csas.SBSP.1hr.2010-2024.excerpt.csv"
    rows = list(csv.DictReader(open(folder + name)))
    for column, quantity, convert in ("Sno_Height_M", "snow_depth", lambda v: v), ("LoAir_Max_C", "air_temperature", lambda v: v + 273.15):
        points = []
        for r in rows:
            t = datetime.datetime(int(r["Year"]), 1, 1, tzinfo=mst) + datetime.timedelta(days=int(r["DOY"]) - 1, hours=int(r["Hour"]) // 100, minutes=int(r["Hour"]) % 100)
            points.append((t, convert(float(r[column])) if r[column] not in ("", "NA") else None))
        row(name, "SBSP", quantity, points)


def alert(file, identifier, sender, sent, status, kind, references, event, expires, onset, ends, vtec, ugc, same, positions, description):
    print(file, identifier, sender, iso(sent), status, kind, references, event, iso(onset), iso(expires), iso(ends), vtec or "-",
          " ".join(ugc) or "-", " ".join(same) or "-", positions, len(description.encode()), sep="\t")


def alerts(folder):
    print("file", "identifier", "sender", "sent", "status", "msgType", "references", "event", "onset", "expires", "ends", "vtec", "ugc", "same", "positions", "description_bytes", sep="\t")
    for name in ["nws.alert.KMPX.20240112.geojson", "nws.alerts.MT.20240305T0103Z.geojson", "nws.alerts.NMC051.20230913.geojson",
                 "nws.alerts.sierra.20240129.geojson", "nws.alerts.west.20251215T2155Z.geojson"]:
        for f in json.load(open(folder + name))["features"]:
            p = f["properties"]
            positions = sum(len(ring) for ring in f["geometry"]["coordinates"]) if f["geometry"] else 0
            alert(name, p["id"], p["sender"], p["sent"], p["status"], p["messageType"], len(p["references"]), p["event"], p["expires"], p["onset"],
                  p.get("ends"), " ".join(p["parameters"].get("VTEC", [])), p["geocode"]["UGC"], p["geocode"]["SAME"], positions, p["description"].strip())
    for name in ["cap12.NWS-IDP-PROD-4412298-3677414.xml", "cap11.KSEW.WinterStormWarning.20170303.xml"]:
        root = ET.parse(folder + name).getroot()
        ns = re.match(r"\{.*\}", root.tag).group(0)
        text = lambda e, n: (e.findtext(ns + n) or "").strip()
        info = root.find(ns + "info")
        area = info.find(ns + "area")
        pairs = lambda e, n: [(text(x, "valueName"), text(x, "value")) for x in e.findall(ns + n)]
        vtec = [v for k, v in pairs(info, "parameter") if k == "VTEC"]
        codes = pairs(area, "geocode")
        end = re.search(r"-(\d{6}T\d{4}Z)/", vtec[0]).group(1)
        ends = None if end.startswith("000000") else datetime.datetime.strptime("20" + end, "%Y%m%dT%H%MZ").replace(tzinfo=UTC).isoformat()
        positions = sum(len((p.text or "").split()) for p in area.findall(ns + "polygon"))
        alert(name, text(root, "identifier"), text(root, "sender"), text(root, "sent"), text(root, "status"), text(root, "msgType"),
              len(text(root, "references").split()), text(info, "event"), text(info, "expires"), text(info, "onset"), ends, " ".join(vtec),
              [v for k, v in codes if k == "UGC"], [v for k, v in codes if k in ("SAME", "FIPS6")], positions, text(info, "description"))


folder = sys.argv[2].rstrip("/") + "/"
{"readings": readings, "alerts": alerts}[sys.argv[1]](folder)
