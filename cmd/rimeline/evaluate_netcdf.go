package main

import (
	"errors"
	"fmt"
	"math"

	"rimeline/ingest/cfgrid"
	evaluation "rimeline/seedability/evaluate/report"
)

func isNetCDFHead(head []byte) bool { return cfgrid.IsNetCDF(head) }

// maxNetCDFObservations in one variable; all of it is held at a time.
const maxNetCDFObservations = 5_000_000

// readNetCDFObservations reads a file with one dimension: time (CF units, so UTC or
// with a zone), site or place as text, minutes where there is a period, and a variable
// with units for each quantity.
func readNetCDFObservations(env *environment, into *evaluation.Observations, in *inputFile) error {
	file, err := openNetCDFFile(env, in)
	if err != nil {
		return err
	}
	defer file.Close()
	variables := file.Variables()
	dimension, n := "", 0
	for _, v := range variables {
		if v.Name == "time" && len(v.Dimensions) == 1 {
			dimension, n = v.Dimensions[0].Name, v.Dimensions[0].Length
		}
	}
	if dimension == "" {
		return fmt.Errorf("%s: there is no variable time of one dimension", in.path)
	}
	if n > maxNetCDFObservations {
		return fmt.Errorf("%s: %d observations, at most %d are read", in.path, n, maxNetCDFObservations)
	}
	along := func(v *cfgrid.Variable, text bool) bool {
		return len(v.Dimensions) > 0 && v.Dimensions[0].Name == dimension && (len(v.Dimensions) == 1 || text && len(v.Dimensions) == 2 && v.Dimensions[1].Length <= 1000)
	}
	times, err := file.Times(env, "time")
	if err != nil {
		return err
	}
	names := map[string][]string{}
	var minutes []float64
	for k := range variables {
		v := &variables[k]
		switch v.Name {
		case "site", "place":
			if !along(v, true) {
				return fmt.Errorf("%s: %s does not lie along %s", in.path, v.Name, dimension)
			}
			if names[v.Name], err = file.Strings(env, v.Name); err != nil {
				return err
			}
		case "minutes":
			if !along(v, false) {
				return fmt.Errorf("%s: minutes does not lie along %s", in.path, dimension)
			}
			if minutes, err = file.Values(env, v.Name); err != nil {
				return err
			}
		}
	}
	name := func(of string, k int) string {
		if k < len(names[of]) {
			return names[of][k]
		}
		return ""
	}
	found := 0
	var failed []error
	for k := range variables {
		v := &variables[k]
		quantity := v.Name
		if !evaluation.IsQuantity(quantity) {
			quantity = v.StandardName
		}
		if !evaluation.IsQuantity(quantity) {
			continue
		}
		found++
		if !along(v, false) {
			return fmt.Errorf("%s: %s does not lie along %s", in.path, v.Name, dimension)
		}
		values, err := file.Values(env, v.Name)
		if err != nil {
			return err
		}
		for i, x := range values {
			where := fmt.Sprintf("%s: %s[%d]", in.path, v.Name, i)
			if i >= len(times) || times[i].IsZero() {
				failed = append(failed, fmt.Errorf("%s: no time", where))
			} else {
				period := math.NaN()
				if i < len(minutes) {
					period = minutes[i]
				}
				if err := into.Take(where, times[i], name("site", i), name("place", i), quantity, x, v.Units, period); err != nil {
					failed = append(failed, err)
				}
			}
			if len(failed) >= 20 {
				return errors.Join(failed...)
			}
		}
	}
	if found == 0 {
		return fmt.Errorf("%s: no variable is one of %s", in.path, evaluation.QuantityNames())
	}
	return errors.Join(failed...)
}
