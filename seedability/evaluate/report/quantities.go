package report

import (
	"fmt"
	"slices"
	"strings"
)

// Quantity is one kind of observation.
type Quantity struct {
	Name string
	// Standard is the CF standard name, where there is one; it is read too.
	Standard string
	// Unit of all results, and what other units are multiplied by.
	Unit  string
	Units map[string]float64
	// Event is the value from which on the observation is an event.
	Event float64
	// Low and High bound what can be, in Unit.
	Low, High float64
	// NeedsPeriod: it is an amount or a count over a time.
	NeedsPeriod bool
	// Cumulative: what counts is the change from one observation to the next.
	Cumulative bool
	What       string
	Source     string
}

// Quantities that can be compared with. Thresholds are common practice unless a
// source is named.
var Quantities = []Quantity{
	{Name: "precipitation", Standard: "lwe_thickness_of_precipitation_amount", Unit: "mm", Units: map[string]float64{"mm": 1, "kg m-2": 1, "kg/m2": 1, "cm": 10, "m": 1000, "in": 25.4},
		Event: .2, Low: 0, High: 500, NeedsPeriod: true, What: "gauge precipitation, liquid equivalent, over the period", Source: "0.2 mm is the resolution that WMO-No. 8, part I, chapter 6 asks of gauges (value from memory)"},
	{Name: "precipitation_rate", Standard: "lwe_precipitation_rate", Unit: "mm/h", Units: map[string]float64{"mm/h": 1, "mm h-1": 1, "in/h": 25.4, "m s-1": 3.6e6, "kg m-2 s-1": 3600},
		Event: .2, Low: 0, High: 500, What: "rate of precipitation, liquid equivalent", Source: "common practice, no source"},
	{Name: "icing", Unit: "1", Units: map[string]float64{"1": 1, "count": 1, "hits": 1},
		Event: 1, Low: 0, High: 1e6, NeedsPeriod: true, What: "hits of an icing detector within the period", Source: "one hit: the detector has gathered ice, so supercooled droplets were there; common practice, no source"},
	{Name: "liquid_water_path", Standard: "atmosphere_mass_content_of_cloud_liquid_water", Unit: "kg/m2", Units: map[string]float64{"kg/m2": 1, "kg m-2": 1, "mm": 1, "g/m2": 1e-3, "g m-2": 1e-3, "cm": 10},
		Event: .05, Low: -.2, High: 10, What: "liquid water path of a microwave radiometer; supercooled where the whole column is colder than 0 °C", Source: "0.05 mm counts as present, noise is 0.02 to 0.03 mm; common practice, no source"},
	{Name: "snow_water_equivalent", Standard: "lwe_thickness_of_surface_snow_amount", Unit: "mm", Units: map[string]float64{"mm": 1, "kg m-2": 1, "kg/m2": 1, "cm": 10, "m": 1000, "in": 25.4},
		Event: 2.5, Low: 0, High: 10000, Cumulative: true, What: "rise of a snow pillow from one observation to the next", Source: "2.5 mm is the usual resolution of pillows (0.1 in); common practice, no source"},
}

// quantityOf finds a quantity by its name or its standard name, -1 for none.
func quantityOf(name string) int {
	return slices.IndexFunc(Quantities, func(q Quantity) bool { return q.Name == name || q.Standard != "" && q.Standard == name })
}

// QuantityNames lists them for people.
func QuantityNames() string {
	var names []string
	for _, q := range Quantities {
		names = append(names, q.Name)
	}
	return strings.Join(names, ", ")
}

// units lists those that are read, the own one first.
func (q *Quantity) units() string {
	names := []string{q.Unit}
	for _, name := range sortedKeys(q.Units) {
		if name != q.Unit {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}

// Events sets thresholds from texts such as "icing=2", in the units of Quantities.
func (o *Observations) Events(thresholds map[string]float64) error {
	for _, name := range sortedKeys(thresholds) {
		k, x := quantityOf(name), thresholds[name]
		switch {
		case k < 0:
			return fmt.Errorf("there is no quantity %q; known are %s", name, QuantityNames())
		case !(x > Quantities[k].Low && x <= Quantities[k].High):
			return fmt.Errorf("threshold %v of %s is outside %v to %v %s", x, name, Quantities[k].Low, Quantities[k].High, Quantities[k].Unit)
		}
		o.thresholds[k] = x
	}
	return nil
}

// IsQuantity says whether a name, or a CF standard name, is that of a quantity.
func IsQuantity(name string) bool { return quantityOf(name) >= 0 }

// UnitNames lists the units that are read.
func (q *Quantity) UnitNames() string { return q.units() }
