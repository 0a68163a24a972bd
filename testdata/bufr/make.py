"""Make small BUFR messages of several subsets with ecCodes' own encoder.

    python testdata/bufr/make.py ingest/bufr/testdata

An invented ascent in sequence 3 09 057, compressed (three subsets of two
levels) and uncompressed (two subsets, of one and of three levels).
"""

import sys

import eccodes as ec


def make(path, compressed, levels):
    subsets = len(levels)
    h = ec.codes_bufr_new_from_samples("BUFR4")
    ec.codes_set(h, "masterTablesVersionNumber", 31)
    ec.codes_set(h, "dataCategory", 2)
    ec.codes_set(h, "internationalDataSubCategory", 4)
    ec.codes_set(h, "numberOfSubsets", subsets)
    ec.codes_set(h, "compressedData", compressed)
    times = 1 if compressed else subsets
    ec.codes_set_array(h, "inputDelayedDescriptorReplicationFactor", [0] * times)
    ec.codes_set_array(h, "inputExtendedDelayedDescriptorReplicationFactor", levels[:times])
    ec.codes_set(h, "unexpandedDescriptors", 309057)
    if compressed:
        every = range(subsets)
        ec.codes_set_array(h, "blockNumber", [10 + i for i in every])
        ec.codes_set_array(h, "stationNumber", [100 + i for i in every])
        ec.codes_set_array(h, "radiosondeSerialNumber", ["AB%d" % i for i in every])
        ec.codes_set(h, "year", 2030)
        for level in range(levels[0]):
            ec.codes_set_array(h, "#%d#pressure" % (level + 1), [100000.0 - 10 * level - i for i in every])
            ec.codes_set(h, "#%d#airTemperature" % (level + 1), 280 - 0.01 * level)
    else:
        n = 0
        for i in range(subsets):
            ec.codes_set(h, "#%d#blockNumber" % (i + 1), 10 + i)
            ec.codes_set(h, "#%d#stationNumber" % (i + 1), 100 + i)
            ec.codes_set(h, "#%d#radiosondeSerialNumber" % (i + 1), "AB%d" % i)
            ec.codes_set(h, "#%d#year" % (i + 1), 2030)
            for level in range(levels[i]):
                n += 1
                ec.codes_set(h, "#%d#pressure" % n, 100000.0 - 10 * level - i)
                ec.codes_set(h, "#%d#airTemperature" % n, 280 - 0.01 * level)
    ec.codes_set(h, "pack", 1)
    with open(path, "wb") as out:
        out.write(ec.codes_get_message(h))


folder = sys.argv[1]
make(folder + "/three-subsets-compressed.bufr", 1, [2, 2, 2])
make(folder + "/two-subsets.bufr", 0, [1, 3])
