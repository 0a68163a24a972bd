"""Makes pyart.tsv and metpy.tsv: what two other decoders find in real volumes.

Usage: python golden.py pyart FOLDER > pyart.tsv
       python golden.py metpy FOLDER > metpy.tsv

FOLDER holds the real Level II files and the folder chunks-185. A row is one
moment of one sweep; counts are of gates. The chunks are read one after the other as
one file, all of them and without some. MetPy makes no difference between below
threshold and range folded; their sum stands in its "below".
"""
import glob
import gzip
import io
import logging
import os
import sys
import warnings

os.environ["PYART_QUIET"] = "1"
warnings.simplefilter("ignore")
logging.disable(logging.WARNING)
import numpy as np

MOMENTS = ["REF", "VEL", "SW", "ZDR", "PHI", "RHO", "CFP"]
WITHOUT = {5, 20, 21, 22, 49}


def volumes(folder):
    for path in sorted(glob.glob(folder + "/[KT]*_*")):
        content = open(path, "rb").read()
        if content[:2] == b"\x1f\x8b":
            content = gzip.decompress(content)
        yield os.path.basename(path), content
    chunks = sorted(glob.glob(folder + "/chunks-185/*"))
    join = lambda leave: b"".join(open(c, "rb").read() for c in chunks if int(c.split("-")[-2]) not in leave)
    yield "chunks-185", join(set())
    yield "chunks-185-without-5-20-21-22-49", join(WITHOUT)


def row(name, index, number, elevation, radials, moment, blocks, values, below, folded):
    """blocks: (gates, first gate, spacing) of each radial; values: the valid ones."""
    gates = max(b[0] for b in blocks)
    stats = ["%.9g" % f(values) for f in (np.min, np.max, np.mean)] if len(values) else ["nan"] * 3
    print(*[name, index, number, "%.7f" % elevation, radials, moment, gates, "%g" % blocks[0][1], "%g" % blocks[0][2], *stats, len(values), below, folded], sep="\t")


def of_pyart(name, content):
    import pyart.io.nexrad_level2 as level2
    file = level2.NEXRADLevel2File(io.BytesIO(content))
    index = 0
    for scan, messages in enumerate(file.scan_msgs):
        if len(messages) == 0:
            continue
        index += 1
        elevation = np.mean(file.get_elevation_angles([scan]), dtype="f8")
        for moment in MOMENTS:
            have = [file.radial_records[m][moment] for m in messages if moment in file.radial_records[m]]
            if not have:
                continue
            raw = np.concatenate([h["data"] for h in have])
            scaled = (raw[raw > 1].astype("f8") - have[0]["offset"]) / have[0]["scale"]
            row(name, index, scan + 1, elevation, len(messages), moment,
                [(h["ngates"], h["first_gate"], h["gate_spacing"]) for h in have], scaled, np.sum(raw == 0), np.sum(raw == 1))


def of_metpy(name, content):
    from metpy.io import Level2File
    file = Level2File(io.BytesIO(content))
    index = 0
    for number, sweep in enumerate(file.sweeps):
        if not sweep:
            continue
        index += 1
        elevation = np.mean([radial[0].el_angle for radial in sweep])
        for moment in MOMENTS:
            key = moment
            of = lambda radial: radial[1] if len(radial) == 2 else {k.decode().strip(): v for k, v in radial[4].items()}
            have = [of(radial)[key] for radial in sweep if key in of(radial)]
            if not have:
                continue
            values = np.concatenate([h[1] for h in have])
            blocks = [(h[0].num_gates, 1000 * h[0].first_gate, 1000 * (h[0].gate_width)) for h in have]
            row(name, index, number + 1, elevation, len(sweep), moment, blocks, values[~np.isnan(values)], np.sum(np.isnan(values)), "-")


if __name__ == "__main__":
    which, folder = sys.argv[1:]
    if which == "pyart":
        import pyart
        print("# Py-ART", pyart.__version__, "NumPy", np.__version__)
    else:
        import metpy
        print("# MetPy", metpy.__version__, "NumPy", np.__version__)
    print("# file index number elevation_deg radials moment gates first_gate_m gate_spacing_m min max mean valid below folded".replace(" ", "\t"))
    for name, content in volumes(folder):
        try:
            {"pyart": of_pyart, "metpy": of_metpy}[which](name, content)
        except Exception as error:
            print("#", name, "is not read:", type(error).__name__, error)
