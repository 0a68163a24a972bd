// Package archive keeps what a seeding programme said and did: a folder of ordinary
// files that outlives the service, its message bus and this program.
//
// The layout, version 1:
//
//	DIR/format.json                       version of the layout
//	DIR/positions.json                    up to where each stream lies in verified files
//	DIR/<programme>/<YYYY-MM-DD>/manifest.json
//	DIR/<programme>/<YYYY-MM-DD>/g000001/ the files that the manifest names
//	    scores.nc    paths.nc             CF-1.11 (Eaton and others 2023)
//	    scores.parquet paths.parquet ...  the same numbers, and further tables
//	    holds.ndjson ...                  data of some kinds, a line each
//	    events.<kind>.ndjson.zst          every message as it came
//	    index.parquet                     which messages the day has, and where
//	    digests.json                      SHA-256 of inputs and kept crops
//	DIR/crops/                            kept crops, by their SHA-256
//
// A day is that of the event's time, UTC. Messages of no programme (health) lie under
// "_service".
//
// A published file is never changed. A day that gains messages is written whole into
// a new folder g<number>, forced to the disk, read back and compared, and only then
// does manifest.json, replaced by a rename, name the new folder; the old one is
// removed afterwards. A new day appears by the renaming of its whole folder. Whoever
// dies in between leaves the old day or the new one. A reader opens the manifest and
// then what it names; if that is gone the manifest is read again.
//
// Files of JSON that say what is true (manifest, format, positions) carry their own
// SHA-256 in front, so that a flipped byte is found in them too. Of a Parquet file the
// manifest has the SHA-256 of the footer besides, which readers compare first: they
// need not read the whole file to know that what they read is what was written.
//
// Scores are discrete sampling geometries of CF chapter 9: time series in contiguous
// ragged arrays (section 9.3.3), since sites are judged at times of their own and a
// day is written whole, when the number of its rows is known; paths are trajectories
// in the same representation.
package archive
