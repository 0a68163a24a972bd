package programme

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // time zones where the system has none, as in small containers
	"unicode"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"rimeline/grid"
)

// Parse reads one programme file. file names it in errors; open gives the bytes
// of the files that it names, by their path as written there; components lists
// what a score is made of, sources the public stores that an input may name (an
// empty list: any name is taken). The error is of type Problems and holds everything
// that is wrong (the first fifty).
func Parse(file string, b []byte, open func(path string) ([]byte, error), components []ComponentDefault, sources []KnownSource) (*Programme, error) {
	p := &Programme{File: file, GeometrySHA256: map[string]string{}}
	d := &decoder{file: file, places: map[string]*token.Token{}, nodes: map[string]ast.Node{}}
	d.document(b, reflect.ValueOf(p).Elem())
	if len(d.problems) == 0 {
		// References and geometry are looked at only in a file whose single
		// values are right, so that one slip is not reported twice.
		digest := sha256.Sum256(b)
		p.SHA256 = hex.EncodeToString(digest[:])
		d.checkNames(p)
		d.checkSites(p)
		d.checkTables(p)
		d.checkInputs(p, sources)
		d.checkSafetyInputs(p, sources, open)
		d.checkTargets(p, open)
		d.checkMethod(p, components)
		d.checkHolds(p, open)
		d.checkAlerts(p)
		d.checkDistances(p)
	}
	if len(d.problems) == 0 {
		p.inputPlaces = d.placesBelow("inputs")
		return p, nil
	}
	slices.SortStableFunc(d.problems, func(a, b Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	if len(d.problems) > maxProblems {
		rest := len(d.problems) - maxProblems
		d.problems = append(d.problems[:maxProblems:maxProblems], Problem{File: file, Message: fmt.Sprintf("%d further problems", rest)})
	}
	return nil, d.problems
}

// checkNames refuses identifiers given twice, and an unknown time zone.
func (d *decoder) checkNames(p *Programme) {
	unique := func(list, id string, i int, seen map[string]int) {
		if first, twice := seen[id]; twice {
			d.problemAt(fmt.Sprintf("%s[%d].id", list, i), "%q is the id of %s[%d] already", id, list, first)
			return
		}
		seen[id] = i
	}
	sites, targets, tables, inputs, stations := map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}
	for i := range p.Sites {
		unique("sites", p.Sites[i].ID, i, sites)
	}
	for i := range p.Targets {
		unique("targets", p.Targets[i].ID, i, targets)
	}
	for i := range p.YieldTables {
		unique("yield_tables", p.YieldTables[i].ID, i, tables)
	}
	for i := range p.Inputs {
		unique("inputs", p.Inputs[i].ID, i, inputs)
	}
	for i := range p.Stations {
		unique("stations", p.Stations[i].ID, i, stations)
	}
	location, err := time.LoadLocation(p.Timezone)
	if err != nil || p.Timezone == "Local" {
		d.problemAt("timezone", "%q is not an IANA time zone such as America/Denver", p.Timezone)
	}
	p.Location = location
}

func (d *decoder) checkSites(p *Programme) {
	var targetIDs, tableIDs []string
	for i := range p.Targets {
		targetIDs = append(targetIDs, p.Targets[i].ID)
	}
	for i := range p.YieldTables {
		tableIDs = append(tableIDs, p.YieldTables[i].ID)
	}
	for i := range p.Sites {
		site, path := &p.Sites[i], fmt.Sprintf("sites[%d]", i)
		agent := &site.Agent
		needs := func(key string, value float64, needed bool) {
			switch given := !math.IsNaN(value); {
			case needed && !given:
				d.problemAt(path+".agent", "a %s needs the key %s", agent.Kind, key)
			case !needed && given:
				d.problemAt(path+".agent."+key, "does not belong to a %s", agent.Kind)
			}
		}
		flare := agent.Kind == "flare"
		needs("amount_g", agent.AmountG, flare)
		needs("burn_minutes", agent.BurnMinutes, flare)
		needs("rate_g_per_h", agent.RateGPerH, !flare)
		if !slices.Contains(tableIDs, agent.YieldTable) {
			d.problemAt(path+".agent.yield_table", "there is no yield table %q%s", agent.YieldTable, suggestion(agent.YieldTable, tableIDs))
		}
		for k, id := range site.TargetIDs {
			at := fmt.Sprintf("%s.targets[%d]", path, k)
			if !slices.Contains(targetIDs, id) {
				d.problemAt(at, "there is no target %q%s", id, suggestion(id, targetIDs))
			} else if slices.Contains(site.TargetIDs[:k], id) {
				d.problemAt(at, "%q is listed twice", id)
			}
		}
		if site.TargetIDs == nil {
			site.TargetIDs = targetIDs
		}
		if barrier := p.BarrierOf(site); barrier != nil && barrier.CrestAltitudeM <= site.AltitudeM+site.ReleaseHeightM {
			at := path + ".altitude_m"
			if site.Barrier != nil {
				at = path + ".barrier.crest_altitude_m"
			}
			d.problemAt(at, "the crest at %g m is not above the release at %g m", barrier.CrestAltitudeM, site.AltitudeM+site.ReleaseHeightM)
		}
	}
}

func (d *decoder) checkTables(p *Programme) {
	for i := range p.YieldTables {
		points := p.YieldTables[i].Points
		for k := 1; k < len(points); k++ {
			if points[k].AirTemperatureK >= points[k-1].AirTemperatureK {
				d.problemAt(fmt.Sprintf("yield_tables[%d].points[%d].temperature_degc", i, k),
					"temperatures must fall from point to point, warmest first")
			}
		}
	}
}

// checkInputs fills in the ages, and refuses keys that do not go together.
func (d *decoder) checkInputs(p *Programme, sources []KnownSource) {
	for i := range p.Inputs {
		input, path := &p.Inputs[i], fmt.Sprintf("inputs[%d]", i)
		if !d.checkInputKeys(input, path) {
			continue
		}
		if ages, ok := inputAges[input.Kind]; ok {
			if math.IsNaN(input.MaximumAgeHours) {
				input.MaximumAgeHours = max(ages.maximum, input.FreshHours)
				if math.IsNaN(input.FreshHours) || input.FreshHours < ages.maximum {
					input.MaximumAgeHours = ages.maximum
				}
			}
			if math.IsNaN(input.FreshHours) {
				input.FreshHours = min(ages.fresh, input.MaximumAgeHours)
			}
		}
		if input.FreshHours > input.MaximumAgeHours {
			d.problemAt(path+".fresh_hours", "%g exceeds maximum_age_hours %g", input.FreshHours, input.MaximumAgeHours)
		}
		if input.Stations != nil && input.Kind != "sounding" && input.Kind != "avalanche" && (input.Kind != "radar" || input.Source == "") {
			d.problemAt(path+".stations", "belongs to soundings, and to a source of radar data, only")
		}
		d.checkSource(input, path, sources)
		for k, pattern := range input.Paths {
			if strings.ContainsRune(pattern, 0) {
				d.problemAt(fmt.Sprintf("%s.paths[%d]", path, k), "holds a zero byte")
			}
		}
	}
}

// checkSource checks what belongs to an input that is fetched.
func (d *decoder) checkSource(input *Input, path string, sources []KnownSource) {
	if input.Source == "" {
		for key, given := range map[string]bool{
			"base_url": input.BaseURL != "", "products": input.Products != nil, "forecast_hours": !math.IsNaN(input.ForecastHours),
		} {
			if given {
				d.problemAt(path+"."+key, "belongs to an input with a source only")
			}
		}
		return
	}
	names := sourceNames(sources)
	switch index := slices.Index(names, input.Source); {
	case len(sources) == 0:
	case input.Source == SourceBus && input.Kind == "telemetry":
	case index < 0:
		d.problemAt(path+".source", "there is no source %q; known here: %s", input.Source, strings.Join(names, ", "))
	case sources[index].Kind != "" && sources[index].Kind != input.Kind:
		d.problemAt(path+".source", "source %s gives inputs of the kind %s, not %s", input.Source, sources[index].Kind, input.Kind)
	}
	if !math.IsNaN(input.ForecastHours) && input.Kind != "model" {
		d.problemAt(path+".forecast_hours", "belongs to models only")
	}
	for k, product := range input.Products {
		at := fmt.Sprintf("%s.products[%d]", path, k)
		switch {
		case strings.TrimSpace(product) == "": // reported by its own rule
		case len(product) > maxProductBytes || strings.ContainsFunc(product, func(r rune) bool { return unicode.IsControl(r) || unicode.IsSpace(r) }):
			d.problemAt(at, "%.40q is not the name of a product: 1 to %d bytes without spaces", product, maxProductBytes)
		case slices.Contains(input.Products[:k], product):
			d.problemAt(at, "%q is listed twice", product)
		}
	}
	if input.BaseURL != "" {
		if message := refuseURL(input.BaseURL); message != "" {
			d.problemAt(path+".base_url", "%s", message)
		}
	}
}

const maxProductBytes = 100

// refuseURL says why text is not the address of a mirror; empty where it is.
// An address with a password would be published with the records of inputs.
func refuseURL(text string) string {
	address, err := url.Parse(text)
	switch {
	case err != nil:
		// The error of package url repeats the text, which may hold a password.
		return "is not a URL"
	case address.Scheme != "http" && address.Scheme != "https":
		return fmt.Sprintf("scheme %q is not http or https", address.Scheme)
	case address.Hostname() == "":
		return "names no host"
	case address.User != nil:
		return "holds a user name or password; sources are public"
	case address.RawQuery != "" || address.ForceQuery || address.Fragment != "":
		return "has a query or fragment; the source adds its own paths"
	}
	return ""
}

// checkTargets reads and checks every geometry.
func (d *decoder) checkTargets(p *Programme, open func(string) ([]byte, error)) {
	for i := range p.Targets {
		target, path := &p.Targets[i], fmt.Sprintf("targets[%d]", i)
		switch {
		case target.File != "" && target.Inline.Given:
			d.problemAt(path+".file", "has a geometry too; give one of the two")
		case target.File != "":
			b, err := open(target.File)
			if err == nil {
				digest := sha256.Sum256(b)
				p.GeometrySHA256[target.File] = hex.EncodeToString(digest[:])
				d.setArea(target, path+".file", b, nil, target.File+": ")
			} else {
				d.problemAt(path+".file", "%v", err)
			}
		case target.Inline.Given:
			node := d.nodes[path+".geometry"]
			b, err := jsonOf(node)
			if err == nil {
				d.setArea(target, path+".geometry", b, node, "")
			} else {
				d.problemAt(path+".geometry", "%v", err)
			}
		default:
			d.problemAt(path, "needs a geometry, or a file that holds one")
		}
	}
}

func (d *decoder) setArea(target *Target, path string, b []byte, node ast.Node, prefix string) {
	area, err := readGeometry(b)
	if err == nil {
		target.setArea(area)
		return
	}
	var placed placedError
	if errors.As(err, &placed) && node != nil {
		if at := positionNode(node, placed.where); at != nil {
			d.problem(firstToken(at), path, "%v", err)
			return
		}
	}
	d.problemAt(path, "%s%v", prefix, err)
}

func (d *decoder) checkMethod(p *Programme, components []ComponentDefault) {
	e := &p.Ensemble
	if e.OnsetColdestK > e.OnsetWarmestK {
		d.problemAt("ensemble.onset_coldest_degc", "%.2f is warmer than onset_warmest_degc %.2f", e.OnsetColdestK-freezingK, e.OnsetWarmestK-freezingK)
	}
	if g := e.GrowthMinutes; !(g.Shortest <= g.Likely && g.Likely <= g.Longest) {
		d.problemAt("ensemble.growth_minutes", "shortest %g, likely %g, longest %g must rise", g.Shortest, g.Likely, g.Longest)
	}
	if p.Thresholds.WindowScore+p.Thresholds.Hysteresis > 100 {
		d.problemAt("thresholds", "window_score %g plus hysteresis %g exceeds 100: no window could open", p.Thresholds.WindowScore, p.Thresholds.Hysteresis)
	}
	if w := p.Watch; w.IdleMinutes < w.NowMinutes {
		d.problemAt("watch.idle_minutes", "%g is shorter than now_minutes %g", w.IdleMinutes, w.NowMinutes)
	}
	var names []string
	weights := 0.0
	for _, c := range components {
		names = append(names, c.Name)
		weight := c.Weight
		if change, ok := p.Thresholds.Components[c.Name]; ok && !math.IsNaN(change.Weight) {
			weight = change.Weight
		}
		weights += weight
	}
	for name, change := range p.Thresholds.Components {
		path := "thresholds.components." + name
		index := slices.Index(names, name)
		if index < 0 {
			d.problemAt(path, "there is no component %q%s", name, suggestion(name, names))
			continue
		}
		d.checkComponent(path, change, components[index])
	}
	if len(components) > 0 && weights == 0 {
		d.problemAt("thresholds.components", "all weights are zero")
	}
}

func (d *decoder) checkComponent(path string, change Component, standard ComponentDefault) {
	switch {
	case change.Knots != nil && change.Unit == "":
		d.problemAt(path, "knots need the key unit: %s", standard.Unit)
	case change.Unit != "" && change.Unit != standard.Unit:
		d.problemAt(path+".unit", "%q is not the unit of %s, which is %s", change.Unit, standard.Name, standard.Unit)
	case change.Knots == nil && math.IsNaN(change.Weight):
		d.problemAt(path, "changes nothing; give knots or a weight")
	}
	for k, knot := range change.Knots {
		at := fmt.Sprintf("%s.knots[%d]", path, k)
		if !(knot[1] >= 0 && knot[1] <= 1) {
			d.problemAt(at, "membership %g is outside the allowed range 0 to 1", knot[1])
		}
		if k > 0 && knot[0] <= change.Knots[k-1][0] {
			d.problemAt(at, "quantity %g does not exceed the %g before it", knot[0], change.Knots[k-1][0])
		}
	}
}

// farKM is how far a site may be from a target that it serves; common practice,
// no source. A drift of 180 minutes at 25 m/s is 270 km.
const farKM = 300

// checkDistances finds sites so far from their targets that a coordinate must
// be wrong, and says which way it probably is.
func (d *decoder) checkDistances(p *Programme) {
	if len(d.problems) > 0 {
		return
	}
	for i := range p.Sites {
		site, path := &p.Sites[i], fmt.Sprintf("sites[%d]", i)
		for _, target := range p.TargetsOf(site) {
			distanceKM := target.DistanceM(site.Place()) / 1000
			if distanceKM <= farKM {
				continue
			}
			hint := ""
			swapped := target.Centroid()
			if math.Abs(swapped.LongitudeDeg) <= 85 {
				swapped.LatitudeDeg, swapped.LongitudeDeg = swapped.LongitudeDeg, swapped.LatitudeDeg
				if grid.DistanceM(swapped, site.Place()) < farKM*1000 {
					hint = "; GeoJSON positions are [longitude, latitude], are they swapped?"
				}
			}
			west := site.Place()
			west.LongitudeDeg = -west.LongitudeDeg
			if target.DistanceM(west) < farKM*1000 {
				hint = "; is the sign of its longitude right (west is negative)?"
			}
			d.problemAt(path, "is %.0f km from the target %s that it serves, at most %d km are allowed%s", distanceKM, target.ID, farKM, hint)
		}
	}
}
