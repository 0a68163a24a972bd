// Package hydro reads what a seeding programme must heed besides the weather:
// river stage and discharge, official flood categories, reservoirs, snow water
// equivalent and its normals, public warnings, avalanche danger, and the
// telemetry of the programme's own sites.
//
// It reads
//   - USGS water data: RDB, WaterML-JSON (WaterML 1.1 as JSON) and OGC API
//     Features JSON (DecodeUSGS);
//   - National Water Prediction Service gauge and stageflow JSON
//     (DecodeNWPSGauge, DecodeNWPSStageflow);
//   - any agency's CSV, TSV or fixed text by a Mapping (DecodeTable), and any
//     JSON by a JSONMapping (DecodeJSON), a DangerMapping (DecodeAvalanche) or
//     a TelemetryMapping (DecodeTelemetry);
//   - warnings as api.weather.gov GeoJSON and as OASIS Common Alerting Protocol
//     1.2 and 1.1 XML, both into one type (DecodeAlerts), with the Valid Time
//     Event Code of NWS Instruction 10-1703.
//
// Three rules hold throughout, because the readings decide about suspension:
// what is missing or unreadable is said (a NaN with a flag, a note, a doubt),
// never left out in silence; a value without a known unit is refused, never
// guessed; a time without a zone is refused or flagged, never taken as UTC.
//
// Values are converted to SI once, here. The unit of a Series stands in it.
//
// It refuses WaterML as XML, CAP 1.0, CAP with a document type declaration, XML
// that is not UTF-8, and index feeds that only link to warnings. Digital
// signatures of CAP messages are not verified.
package hydro

import (
	// Local times of gauges need the zone rules on hosts that have none.
	_ "time/tzdata"
)

// Ceilings of what one file may make us hold. A day of all warnings of the
// United States is some 5 MB of JSON; a year of 15-minute values of one gauge
// is 35,040 points.
const (
	maxFileBytes = 32 << 20
	maxNodes     = 1_000_000 // values of one JSON or elements of one XML file
	maxDepth     = 64        // nesting of JSON and XML
	maxPoints    = 1_000_000 // points of one file
	maxNotes     = 50        // notes of one series; the rest is counted
)
