// Package report compares what an archive holds with what came later, with
// observations and with what people did, and writes it for analysts: one page, tables
// and JSON.
//
// The idea: package evaluate has the statistics, package archive the record; here the
// record is read once, in order of days, and sums alone are kept. Of assessments a
// few days are held at a time, as many as an outlook looks ahead; of operations the
// stretches of time; of observations, which are few beside assessments, all.
//
// What is compared with what, and what a number means, stands beside the number, with
// the cautions before it. Too few cases are said to be too few, never left out.
package report
