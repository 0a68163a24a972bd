"""Small Parquet files of two writers: python make.py FOLDER

Values are invented and the same at each run.
"""
import datetime
import decimal
import pathlib
import sys

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

folder = pathlib.Path(sys.argv[1])
folder.mkdir(exist_ok=True)
utc = datetime.timezone.utc
start = datetime.datetime(2026, 1, 14, tzinfo=utc)


def table(n):
    rows = range(n)
    return pa.table({
        "time": pa.array([start + datetime.timedelta(minutes=10 * k) for k in rows], pa.timestamp("us", tz="UTC")),
        "site": pa.array([["quill", "hut", ""][k % 3] for k in rows]),
        "value": pa.array([None if k % 7 == 3 else k * 0.25 for k in rows], pa.float64()),
        "count": pa.array([k * k % 1000 for k in rows], pa.int32()),
        "sequence": pa.array([k // 50 for k in rows], pa.int64()),
        "key": pa.array([f"key {k // 9:05d} {k:05d}" for k in rows]),
        "wet": pa.array([None if k % 11 == 0 else k % 4 == 0 for k in rows], pa.bool_()),
        "levels": pa.array([None if k % 5 == 4 else [float(j) for j in range(k % 4)] for k in rows], pa.list_(pa.float32())),
        "place": pa.array([{"name": f"p{k % 6}", "at": None if k % 3 else {"x": k}} for k in rows],
                          pa.struct([("name", pa.string()), ("at", pa.struct([("x", pa.int64())]))])),
        "nested": pa.array([[[k], [], None] if k % 2 else [] for k in rows], pa.list_(pa.list_(pa.int16()))),
        "amount": pa.array([decimal.Decimal(k) / 100 for k in rows], pa.decimal128(20, 2)),
        "fixed": pa.array([bytes([k % 256] * 5) for k in rows], pa.binary(5)),
        "day": pa.array([datetime.date(2026, 1, 1) + datetime.timedelta(days=k % 90) for k in rows]),
        "clock": pa.array([datetime.time(k % 24, k % 60) for k in rows], pa.time64("us")),
        "half": pa.array([k * 0.5 for k in rows], pa.float16()),
        "nothing": pa.array([None] * n, pa.null()),
        "unsigned": pa.array([k % 200 for k in rows], pa.uint8()),
    })


for codec in "none", "snappy", "gzip", "zstd", "brotli", "lz4":
    for version in "1.0", "2.0":
        pq.write_table(table(100), folder / f"pyarrow-{codec}-v{version[0]}.parquet", compression=codec, data_page_version=version,
                       write_page_index=version == "2.0", write_page_checksum=version == "2.0", store_schema=False)
many = table(250)
pq.write_table(many, folder / "pyarrow-groups.parquet", row_group_size=25, store_schema=False, compression="zstd")
pq.write_table(many, folder / "pyarrow-pages.parquet", data_page_size=64, write_batch_size=16, write_page_index=True, store_schema=False, compression="snappy")
pq.write_table(many.slice(0, 0), folder / "pyarrow-empty.parquet", store_schema=False)
flat = many.select(["count", "sequence", "key", "value", "fixed", "wet", "site"])
pq.write_table(flat, folder / "pyarrow-encodings.parquet", use_dictionary=False, data_page_version="2.0", compression="zstd", store_schema=False,
               column_encoding={"count": "DELTA_BINARY_PACKED", "sequence": "DELTA_BINARY_PACKED", "key": "DELTA_BYTE_ARRAY", "value": "BYTE_STREAM_SPLIT",
                                "fixed": "DELTA_BYTE_ARRAY", "wet": "RLE", "site": "DELTA_LENGTH_BYTE_ARRAY"})
pq.write_table(many.select(["time", "site", "value"]), folder / "pyarrow-legacy.parquet", version="1.0", use_deprecated_int96_timestamps=True, use_dictionary=False)

duck = duckdb.connect()
duck.execute("set threads=1")
duck.execute("""create table t as select timestamptz '2026-01-14 00:00:00+00' + to_minutes(10 * k) as time, 'site ' || (k % 3) as site,
    case when k % 7 = 3 then null else k * 0.25::double end as value, k::bigint as n, k % 2 = 0 as wet, (k / 100)::decimal(9, 2) as amount,
    case when k % 5 = 4 then null else list_transform(range(k % 4), lambda x: x::float) end as levels, {'a': k, 'b': 'text ' || k} as place,
    map {'m': k} as pairs, uuid '00000000-0000-4000-8000-000000000000' as id, interval (k) minute as span, (k % 100)::utinyint as small
    from range(3000) r(k)""")
for codec in "uncompressed", "snappy", "gzip", "zstd", "brotli", "lz4_raw":
    for version in "V1", "V2":
        duck.execute(f"copy (select * from t limit 400) to '{folder}/duckdb-{codec}-{version.lower()}.parquet' (format parquet, codec {codec}, parquet_version {version})")
duck.execute(f"copy t to '{folder}/duckdb-groups.parquet' (format parquet, row_group_size 2048, codec zstd)")
duck.execute(f"copy (select * from t limit 0) to '{folder}/duckdb-empty.parquet' (format parquet)")

# What pyarrow finds in them: file, rows, row groups, columns, values of all columns.
with open(folder / "files.tsv", "w") as out:
    for path in sorted(folder.glob("*.parquet")):
        m = pq.ParquetFile(path).metadata
        values = sum(m.row_group(g).column(c).num_values for g in range(m.num_row_groups) for c in range(m.num_columns))
        print(path.name, m.num_rows, m.num_row_groups, m.num_columns, values, sep="\t", file=out)
