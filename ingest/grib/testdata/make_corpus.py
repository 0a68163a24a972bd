#!/usr/bin/env python3
"""Write the saved fuzz corpus: damaged copies of small messages of packings/.
Run in this directory: python3 make_corpus.py"""
import os
import random

random.seed(2030)
names = ["second-order", "second-order-bitmap", "first-order", "complex", "simple", "simple-bitmap", "png-8", "rotated", "scanning-70", "ieee"]
for target in ("FuzzMessages", "FuzzDecode"):
    os.makedirs(f"fuzz/{target}", exist_ok=True)
    for name in names:
        b = bytearray(open(f"packings/{name}.grib2", "rb").read())
        damage = random.randrange(3)
        if damage == 0:
            b = b[:random.randrange(20, len(b))]
        for _ in range(1 + damage):
            b[random.randrange(16, len(b))] ^= 1 << random.randrange(8)
        text = "".join(f"\\x{v:02x}" for v in b)
        with open(f"fuzz/{target}/damaged-{name}", "w") as out:
            out.write(f'go test fuzz v1\n[]byte("{text}")\n')
