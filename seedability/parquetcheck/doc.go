// Package parquetcheck looks over a Parquet file from outside before a library reads it.
//
// A reader of Parquet trusts counts and sizes that the file states: lists of the
// footer, sizes of pages, lengths of runs. A few damaged bytes can ask for all
// memory. This package reads the same bytes itself, allocates nothing by a stated
// number that it did not compare with the bytes there are or with a limit, and names
// row group, column, page and byte where a file breaks its format.
//
// Followed are parquet.thrift, Encodings.md and Compression.md of the Apache Parquet
// format 2.12 (github.com/apache/parquet-format), whose names of structures and fields
// errors use, and the Thrift compact protocol (thrift-compact-protocol.md of
// github.com/apache/thrift).
//
// Refused although valid: encrypted files, column chunks in other files, the codecs
// LZO, LZ4 and LZ4_RAW, BIT_PACKED levels, and a codec that differs between row groups
// of a column. From LZ4_RAW pages parquet-go 0.32.0 can read bytes that were never
// there: it drops what it uncompressed into a buffer of its own. Column indexes and Bloom filters are only placed within the
// file: readers open files with both skipped.
package parquetcheck
