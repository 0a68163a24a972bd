"""Writes damaged copies of the invented files of fuzz_test.go and of the OASIS
examples to testdata/fuzz: cut, with a byte turned, with parts doubled. Run in
ingest/hydro: python testdata/make_corpus.py. Seeded, so it gives the same again.
"""
import json, os, random, re

source = open("fuzz_test.go").read() + open("readings_test.go").read() + open("sites_test.go").read() + open("curve_test.go").read()


def constant(name):
    m = re.search(name + r"\s*=\s*(`[^`]*`|\"(?:[^\"\\]|\\.)*\")", source)
    text = m.group(1)
    return text[1:-1] if text[0] == "`" else json.loads(text)


targets = {"FuzzUSGS": ["rdbInvented", "ogcInvented", "waterMLInvented"], "FuzzNWPSGauge": ["gaugeInvented"], "FuzzNWPSStageflow": ["stageflowInvented"],
           "FuzzTable": ["tableInvented"], "FuzzAlerts": ["alertInvented", "capInvented"], "FuzzAvalanche": ["dangerInvented"],
           "FuzzTelemetry": ["telemetryInvented"], "FuzzCurve": ["permitCSV"]}
random.seed(20260115)
for target, names in targets.items():
    os.makedirs("testdata/fuzz/" + target, exist_ok=True)
    texts = [(n, constant(n)) for n in names]
    if target == "FuzzAlerts":
        texts += [(n, open("testdata/cap/%s.xml" % n).read()) for n in ("a1", "a2", "a3", "a4")]
    for name, text in texts:
        for kind in range(4):
            b = text
            at = random.randrange(len(b))
            if kind == 0:
                b = b[:at]
            elif kind == 1:
                b = b[:at] + random.choice('"<>{}[],:.-9\t') + b[at + 1:]
            elif kind == 2:
                end = min(len(b), at + random.randrange(40))
                b = b[:end] + b[at:end] * 3 + b[end:]
            else:
                numbers = list(re.finditer(r"\d+", b))
                m = random.choice(numbers)
                b = b[:m.start()] + random.choice(["999999999999999999999", "-1", "1e308", "00", ""]) + b[m.end():]
            with open("testdata/fuzz/%s/%s-%d" % (target, name, kind), "w") as f:
                f.write("go test fuzz v1\n[]byte(" + json.dumps(b, ensure_ascii=False) + ")\n")
for target, values in {"FuzzVTEC": ["/O.CAN.KBMX.TO.A.0002.000000T0000Z-051013T1700Z/", "/O.NEW.KBMX.SV.A.0002.051313T1424Z", "/00000.0.ER.000000T0000Z.000000T0000Z.000000T0000Z.OO/"]}.items():
    os.makedirs("testdata/fuzz/" + target, exist_ok=True)
    for i, v in enumerate(values):
        open("testdata/fuzz/%s/code-%d" % (target, i), "w").write("go test fuzz v1\nstring(" + json.dumps(v) + ")\n")
os.makedirs("testdata/fuzz/FuzzLayout", exist_ok=True)
for i, v in enumerate([("YYYY-MM-DD HH:mm", "2026-11-01 01:30", "America/Denver"), ("YYYY-MM-DD HH:mm", "2026-03-08 02:30", "America/Denver"),
                       ("YYYY DDD HHmm", "2024 366 2400", "PST"), ("DD MMM YYYY", "31 Dec 1999", "Australia/Lord_Howe")]):
    open("testdata/fuzz/FuzzLayout/time-%d" % i, "w").write("go test fuzz v1\n" + "".join("string(" + json.dumps(x) + ")\n" for x in v))
os.makedirs("testdata/fuzz/FuzzJSON", exist_ok=True)
for i, v in enumerate([('{"a":[{"b":[{"date":"2026-01-15","value":1}]}]}', "a[*].b[*]", "$.a[*].n"), ('{"a":1}', "a[-1].b", "'x'"), ("[[[[]]]]", "[*][*][*]", '["a.b"]')]):
    open("testdata/fuzz/FuzzJSON/path-%d" % i, "w").write("go test fuzz v1\n[]byte(" + json.dumps(v[0]) + ")\n" + "".join("string(" + json.dumps(x) + ")\n" for x in v[1:]))
