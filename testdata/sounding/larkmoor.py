"""Writes one invented ascent, from the invented station Larkmoor, in every text
form that radiosonde reports come in, and an invented model profile there.

    python larkmoor.py FOLDER

Nothing here was measured. Temperatures below zero have odd tenths and winds
whole knots and multiples of five degrees, so that the coarsest form, TEMP, loses
nothing but heights. Heights follow from the hypsometric equation with virtual
temperature (WMO-No. 8, annex 4.B for the vapour pressure).
"""
import json
import math
import sys

KNOT = 1852 / 3600
STATION = dict(id="LKM", wmo="72990", lat=44.10, lon=-114.90, elev=1640)
# hPa, C, dew-point depression C, degrees, knots
FLIGHT = [
    (832, -1.1, 0.4, 180, 6), (800, -2.9, 0.3, 200, 14), (770, -4.7, 0.3, 215, 22),
    (740, -6.3, 0.3, 225, 28), (700, -8.7, 0.4, 235, 34), (650, -11.9, 0.6, 240, 38),
    (600, -15.5, 1.2, 245, 42), (560, -18.5, 2.0, 245, 47), (500, -23.3, 4.0, 250, 55),
    (450, -27.9, 6, 250, 62), (400, -33.5, 8, 250, 70), (350, -40.1, 10, 255, 81),
    (300, -47.7, 12, 255, 95), (250, -54.1, 14, 260, 104), (200, -54.9, 18, 260, 88),
    (150, -56.3, 22, 265, 62), (100, -58.7, 25, 270, 40),
]


def virtual(p, t, d):
    e = 6.112 * math.exp(17.62 * d / (243.12 + d))
    w = 0.62198 * e / (p - e)
    return (t + 273.15) * (1 + w / 0.62198) / (1 + w)


def heights(flight):
    z, out = STATION["elev"], []
    for k, (p, t, dep, *_) in enumerate(flight):
        if k:
            p0, t0, dep0 = flight[k - 1][:3]
            mean = (virtual(p0, t0, t0 - dep0) + virtual(p, t, t - dep)) / 2
            z += 287.05 * mean / 9.80665 * math.log(p0 / p)
        out.append(z)
    return out


Z = [round(z) for z in heights(FLIGHT)]
ROWS = [(p, z, t, round(t - dep, 1), w, s) for (p, t, dep, w, s), z in zip(FLIGHT, Z)]
BELOW = [(1000, 128), (925, 772), (850, 1468)]


def temp():
    def temperature(t, dep):
        tenths = round(abs(t) * 10)
        assert (tenths % 2 == 1) == (t < 0)
        return "%03d%02d" % (tenths, round(dep * 10) if dep <= 5 else round(dep) + 50)

    def wind(w, s):
        return "%02d%03d" % (w // 10, s + (500 if w % 10 else 0))

    std = {700: "70", 500: "50", 400: "40", 300: "30", 250: "25", 200: "20", 150: "15", 100: "10"}
    a = ["TTAA", "64121", "72990"]
    b = ["TTBB", "64128", "72990"]
    winds = ["21212"]
    nn = 0
    for k, ((p, t, dep, w, s), z) in enumerate(zip(FLIGHT, Z)):
        if k == 0:
            a += ["99%03d" % p, temperature(t, dep), wind(w, s)]
            for q, h in BELOW:
                a += [{1000: "00", 925: "92", 850: "85"}[q] + "%03d" % (h % 1000), "/////", "/////"]
        elif p in std:
            h = z if p >= 700 else round(z / 10)
            a += [std[p] + "%03d" % (h % 1000), temperature(t, dep), wind(w, s)]
        if p not in std:
            b += ["%d%d%03d" % (nn, nn, p), temperature(t, dep)]
            winds += ["%d%d%03d" % (nn, nn, p), wind(w, s)]
            nn = nn % 9 + 1
    a += ["88250", temperature(-54.1, 14), wind(260, 104), "77250", wind(260, 104)]
    a += ["31313", "46105", "81106"]

    def wrap(groups):
        return "\n".join(" ".join(groups[k:k + 10]) for k in range(0, len(groups), 10)) + "=\n"

    return "USXX01 KLKM 141215\n" + wrap(a) + "\nUMXX01 KLKM 141230\n" + wrap(b + winds)


def fsl():
    out = ["%7d%7d%7d      %3s%8d" % (254, 12, 14, "JAN", 2021),
           "%7d%7d%7s%7.2fN%6.2fW%6d%7d" % (1, 99999, STATION["wmo"], STATION["lat"], -STATION["lon"], STATION["elev"], 1106),
           "%7d%7d%7d%7d%7d%7d%7d" % (2, 100, 2500, 2500, len(ROWS) + 4, 99999, 3),
           "%7d          %-4s                %5d     %2s" % (3, "LKM", 99999, "kt")]
    for k, (p, z, t, d, w, s) in enumerate(ROWS):
        kind = 9 if k == 0 else 4 if p in (700, 500, 400, 300, 250, 200, 150, 100) else 5
        out.append("%7d" * 7 % (kind, p * 10, z, round(t * 10), round(d * 10), w, s))
    return "\n".join(out) + "\n"


def igra():
    out = ["#USM000%s 2021 01 14 12 1106 %4d invented invented %7d %8d" % (
        STATION["wmo"], len(ROWS) + 1, round(STATION["lat"] * 1e4), round(STATION["lon"] * 1e4))]

    def level(kind, elapsed, p, z, t, dep, w, s):
        return "%2s %5d %6d %5d %5d %5d %5d %5d %5d" % (kind, elapsed, p, z, t, -9999, dep, w, s)

    for k, (p, z, t, d, w, s) in enumerate(ROWS):
        seconds = round((z - STATION["elev"]) / 5)
        kind = "21" if k == 0 else "10" if p in (700, 500, 400, 300, 250, 200, 150, 100) else "20"
        out.append(level(kind, seconds // 60 * 100 + seconds % 60, p * 100, z, round(t * 10), round((t - d) * 10), w, round(s * KNOT * 10)))
        if p == 600:
            out.append(level("30", -9999, -9999, 4572, -9999, -9999, 245, 225))
    return "\n".join(out) + "\n"


def listing():
    names = "PRES HGHT TEMP DWPT RELH MIXR DRCT SKNT THTA THTE THTV".split()
    units = "hPa m C C % g/kg deg knot K K K".split()
    rule = "-" * 77
    out = ["<HTML>", "<H2>%s LKM Larkmoor Observations at 12Z 14 Jan 2021</H2>" % STATION["wmo"], "<PRE>", rule,
           "".join("%7s" % n for n in names), "".join("%7s" % u for u in units), rule]
    for p, z in BELOW:
        out.append("%7.1f%7d" % (p, z) + " " * 63)
    for p, z, t, d, w, s in ROWS:
        out.append("%7.1f%7d%7.1f%7.1f%7s%7s%7d%7d" % (p, z, t, d, "", "", w, s) + " " * 21)
    out.append("</PRE><H3>Station information and sounding indices</H3><PRE>")
    for name, value in (("Station identifier", "LKM"), ("Station number", STATION["wmo"]), ("Observation time", "210114/1200"),
                        ("Station latitude", "%.2f" % STATION["lat"]), ("Station longitude", "%.2f" % STATION["lon"]),
                        ("Station elevation", "%.1f" % STATION["elev"])):
        out.append("%43s: %s" % (name, value))
    return "\n".join(out + ["</PRE>", "</HTML>"]) + "\n"


def comma():
    out = ["time,longitude,latitude,pressure_hPa,geopotential height_m,temperature_C,dew point temperature_C,"
           "wind direction_degree,wind speed_m/s"]
    for k, (p, z, t, d, w, s) in enumerate(ROWS):
        seconds = round((z - STATION["elev"]) / 5)
        out.append("2021-01-14 11:%02d:%02d,%9.4f,%7.4f,%6.1f,%5d,%5.1f,%5.1f,%3d,%4.1f" % (
            6 + seconds // 60, seconds % 60, STATION["lon"] + 0.02 * k, STATION["lat"] + 0.01 * k, p, z, t, d, w, s * KNOT))
    return "\n".join(out) + "\n"


def profiles():
    levels = [dict(pres=float(p), hght=float(z), tmpc=math.nan, dwpc=math.nan, drct=math.nan, sknt=math.nan) for p, z in BELOW]
    levels += [dict(pres=float(p), hght=float(z), tmpc=t, dwpc=d, drct=float(w), sknt=float(s)) for p, z, t, d, w, s in ROWS]
    return json.dumps({"profiles": [{"station": "KLKM", "valid": "2021-01-14T12:00:00Z", "profile": levels}]}) + "\n"


def raw():
    out = ["%TITLE%", " LKM 210114/1200 %.2f,%.2f" % (STATION["lat"], STATION["lon"]),
           "     LEVEL       HGHT       TEMP       DWPT       WDIR       WSPD", "-" * 67, "%RAW%"]
    for p, z in BELOW:
        out.append(", ".join("%9.2f" % v for v in (p, z, -9999, -9999, -9999, -9999)))
    for row in ROWS:
        out.append(", ".join("%9.2f" % v for v in row))
    return "\n".join(out + ["%END%"]) + "\n"


def bufkit():
    out = ["", "SNPARM = PRES;TMPC;TMWC;DWPC;THTE;DRCT;SKNT;OMEG;CFRL;HGHT ", "STNPRM = SHOW;LIFT ", ""]
    for hour in (0, 1):
        out += ["STID = LKM STNM = 729900 TIME = 210114/%02d00 " % (12 + hour),
                "SLAT = %.2f SLON = %.2f SELV = %.1f" % (STATION["lat"], STATION["lon"], STATION["elev"]),
                "STIM = %d" % hour, "", "SHOW = 6.10 LIFT = -9999.00", "", "PRES TMPC TMWC DWPC THTE DRCT SKNT OMEG", "CFRL HGHT"]
        for p, z, t, d, w, s in ROWS:
            ascent = -0.6 * math.sin(math.pi * min(1, (832 - p) / 330)) - 0.1 * hour
            cloud = 100 if t - d <= 0.6 else 0
            out += ["%.2f %.2f %.2f %.2f -9999.00 %.2f %.2f %.2f" % (p, t - 0.2 * hour, (t + d) / 2, d - 0.2 * hour, w, s, ascent),
                    "%.2f %.2f" % (cloud, z)]
        out.append("")
    out += ["STN YYMMDD/HHMM PMSL PRES SKTC P01M", "UWND VWND T2MS",
            "729900 210114/1200 1014.20 832.00 -0.80 -9999.00", "0.00 3.10 -1.10",
            "729900 210114/1300 1013.90 831.80 -0.90 0.60", "0.20 3.40 -1.30"]
    return "\r\n".join(out) + "\r\n"


def main(folder):
    for name, text in (("larkmoor.temp.txt", temp()), ("larkmoor.fsl.txt", fsl()), ("larkmoor.igra2.txt", igra()),
                       ("larkmoor.list.html", listing()), ("larkmoor.csv", comma()), ("larkmoor.json", profiles()),
                       ("larkmoor.raw.txt", raw()), ("larkmoor.buf", bufkit())):
        with open(f"{folder}/{name}", "w", newline="") as f:
            f.write(text)


main(sys.argv[1])
