// Package level2 reads NEXRAD Level II: the base data of a weather radar, gate
// by gate, as archived and as sent out in pieces while the antenna turns.
//
// The file is that of the Interface Control Document for the Archive II/User
// (NOAA/NWS Radar Operations Center, 2620010, revision J, build 23.0): a volume
// header of 24 bytes and then LDM records, each a control word with its length
// and one bzip2 stream; files before 2016 as archived lack the records and hold
// the messages as they are, often within gzip. A real-time chunk is the same
// file cut at records: S begins with the volume header, I and E do not.
// The messages are those of the Interface Control Document for the RDA/RPG
// (2620002, revision W, build 23.0; message 1 as in revision H and before).
// The editions are those remembered, not at hand when this was written; the
// layouts were checked against two other decoders (see the tests).
//
// Read: message 31 (radials, every moment), 1 (radials before 2008), 5 and 7
// (coverage pattern), 2 (build of the radar's software), 18 (place and beam
// width). 3, 13, 15 and the others are stepped over: nothing here depends on
// maintenance data or on clutter maps. Terminal Doppler radars (TDWR) are read
// as far as they use the same messages, which since 2024 they do.
//
// Refused: radials packed by the algorithms that message 31 reserves
// ("compression indicator"), which no radar has been seen to use.
//
// Damage costs no more than the record or the radial it is in; what was left
// out is told in the error beside the volume.
package level2
