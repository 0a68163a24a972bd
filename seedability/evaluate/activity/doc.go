// Package activity makes the report of what a programme released: a daily log by
// unit, monthly totals, and the fields of the forms that an authority asks for.
//
// It follows 15 CFR Part 908 (United States, Public Law 92-205), which asks everybody
// who modifies weather for an initial report (908.4, NOAA Form 17-4), interim and
// final reports (908.5 and 908.6, Form 17-4A) and a log that stays with the operator
// (908.8(a); a form of NOAA's is suggested for it, 17-4B). Text read: 908.4, 908.5,
// 908.6 and 908.8(a)(1) and (2) in the annual edition of 1 January 2004, 908.5 and
// 908.6 once more in a later copy, the same; Forms 17-4 and 17-4A (4-81) as published
// with OMB control number 0648-0025, and the instructions of 17-4A and of the daily
// log in a federal summary of 1980. 908.8(b) (make, model, responsible person of
// ground units) is known from a quotation alone, 17-4B by its number alone.
//
// The record is that of package alert: only ever added to, and corrected by further
// records. What counts is alert.InForce. A day is the local day of the programme's
// zone, of 23 or 25 hours where clocks change; a release across an edge of days,
// months or the period counts by its share of time, as in alert.TotalsAt. A day is a
// day of activity, also for a purpose, if any agent was released on it.
//
// Hours are net hours of release of a unit: time that two records of one named unit
// share counts once. Records that name no unit count each in full, as nobody can tell
// whether they were one device.
//
// Nothing is guessed: what the record, the programme file and the operator's file
// lack is named field by field, and left blank in the report. Other authorities are
// served by a template (see Execute). The operator answers for what is filed; this is
// no legal advice.
package activity
