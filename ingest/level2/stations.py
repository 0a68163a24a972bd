"""Makes stations.tsv: place of each radar, ground above sea level, tower height.

Usage: python stations.py > stations.tsv      (needs arm_pyart)

Latitude, longitude and ground of Py-ART's table NEXRAD_LOCATIONS, which comes
from the Historical Observing Metadata Repository of NOAA/NCEI. Tower heights in
metres from the site table of the Radar Operations Center (WBAN, ICAO, name,
degrees, feet, metres), which stands in many public repositories; a terminal
Doppler radar has none there.
"""
import os

os.environ["PYART_QUIET"] = "1"
import pyart
from pyart.io.nexrad_common import NEXRAD_LOCATIONS

TOWER_M = {20: """KABR KENX KABX KAMA KEWX KBGM KBIS KCBX KBUF RKSG KLOT KCLE KGWX KCRP KFWS KDVN KDDC KEYX KEVX KFSX KSRX KAPX KGGW
KMVX KGRR KUEX KHGX KIND KJAN KJAX KEAX KBYX PAKC KMRX KARX LPLA KLCH KESX KLZK KVTX KLBB KMLB KNQA KAMX KMBX KMOB PHMO KOHX KAKQ
KLNX KDIX KPBZ KRGX KFCX KJGX KNKX KMUX KHNX PHWA KSGF KCCX KTBW KINX KVBX KLTX""",
10: """KFDR KBBX KBLX KBRO KFDX KCYS KDYX KHPX KGRK KPOE KEOX KGLD KGJX KTFX KHDX KDFX KMAX PAIH KMAF KMKX KMSX KPDT KIWA KSFX KGYX
KPUX KRIW KFSD PACG KOTX KTWX KVNX KICT KYUX""",
30: """PAHG PGUA KFFC KBMX KBOX KCXX KICX KCLX KRLX KILN KCAE KFTG KDMX KDTX KDOX KDLH KEPZ KLRX KBHX PAPD KGRB KGSP KRMX KCBW RODN PHKN
RKJK KILX KLVX KMQT KMXX KMPX KVAX KMHX KLIX KOKX KOAX KPAH KRTX KRAX KUDX KDAX KLSX KMTX KSJT TJUA KATX KSHV PHKI KTLH KEMX""",
5: "PABC PAEC", 15: "KHTX KTLX KSOX", 25: "KIWX KJKL KLWX"}
# The table has Montague under the name of Griffiss, and Kamuela misspelt; Jackson has moved since.
RENAMED = {"KRMX": "KTYX", "PHKN": "PHKM"}
# Of the second table, where the first has none; two have none in either.
GROUND_FT = {"KFSX": 7417, "KLWX": 272, "KRTX": 1572, "KSRX": 640}
tower = {name: metres for metres, names in TOWER_M.items() for name in names.split()}
for old, new in RENAMED.items():
    tower[new] = tower.pop(old)
del tower["KJAN"]
print("# icao\tlatitude_deg\tlongitude_deg\tground_m\ttower_m   (made by stations.py with Py-ART %s)" % pyart.__version__)
for icao, site in sorted(NEXRAD_LOCATIONS.items()):
    feet = GROUND_FT.get(icao, site["elev"])
    ground = "%.1f" % (feet * 0.3048) if feet > -1000 else ""
    print("%s\t%.5f\t%.5f\t%s\t%s" % (icao, site["lat"], site["lon"], ground, tower.pop(icao, "")))
if tower:
    raise SystemExit("without a place: %s" % sorted(tower))
