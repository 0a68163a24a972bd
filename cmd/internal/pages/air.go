package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// airView is what models and radar say where criteria ask.
type airView struct {
	At    *instant
	Notes []string
	Rows  []airRow
	More  int
}

type airRow struct {
	What, Where, From, Value string
	Time                     *instant
}

// found is one number of the conditions.
type found struct {
	what, where, from string
	value             *float64
	text              string
	at                time.Time
	forecast          bool
	suspect           []string
}

// air lists the conditions that were found: of what was observed the newest, of
// forecasts the highest of all hours. Nil where there are none.
func (p *Programme) air(f face) *airView {
	c := p.Conditions
	if c == nil {
		return nil
	}
	v := &airView{At: f.at(c.AsOf), Notes: texts(c.Notes)}
	var all []found
	for _, x := range c.Precipitation[:min(len(c.Precipitation), longTable)] {
		text := number(x.MMPerH, 1) + " mm/h"
		if x.LiquidShare != nil {
			text += ", " + percent(*x.LiquidShare) + " of it rain"
		}
		if x.CoveredShare != nil && *x.CoveredShare < .995 {
			text += ", " + percent(*x.CoveredShare) + " of the place seen"
		}
		all = append(all, found{"precipitation, highest", p.targetName(x.Place), x.From, x.MMPerH, text, x.Time, !x.Issued.IsZero(), x.Suspect})
	}
	for _, x := range c.FreezingLevels[:min(len(c.FreezingLevels), longTable)] {
		all = append(all, found{"freezing level", p.targetName(x.Target), x.From, x.AltitudeM, number(x.AltitudeM, 0) + " m above sea level", x.Time, !x.Issued.IsZero(), x.Suspect})
	}
	for _, x := range c.Winds[:min(len(c.Winds), longTable)] {
		text := number(x.SpeedMPerS, 0) + " m/s"
		if x.GustMPerS != nil {
			text += ", gusts " + digits(*x.GustMPerS, 0)
		}
		if x.FromDeg != nil {
			text += fmt.Sprintf(", from %s (%s°)", compass(*x.FromDeg), digits(*x.FromDeg, 0))
		}
		all = append(all, found{"wind", p.siteName(x.Site), x.From, x.SpeedMPerS, text, x.Time, !x.Issued.IsZero(), x.Suspect})
	}
	type group struct {
		found
		hours int
	}
	var groups []*group
	index := map[string]*group{}
	for _, x := range all {
		key := strings.Join([]string{x.what, x.where, x.from, fmt.Sprint(x.forecast)}, "\x00")
		g := index[key]
		if g == nil {
			g = &group{found: x}
			index[key] = g
			groups = append(groups, g)
		}
		g.hours++
		better := !x.forecast && x.at.After(g.at)
		if x.forecast && x.value != nil {
			better = g.value == nil || *x.value > *g.value
		}
		if better {
			g.found = x
		}
	}
	slices.SortStableFunc(groups, func(a, b *group) int { return cmp.Or(cmp.Compare(a.what, b.what), cmp.Compare(a.where, b.where)) })
	for _, g := range groups {
		if len(v.Rows) >= 200 {
			v.More++
			continue
		}
		row := airRow{What: g.what, Where: g.where, From: plain(g.from, longName), Value: g.text, Time: f.at(g.at)}
		if g.forecast && g.hours > 1 {
			row.From += fmt.Sprintf(", highest of %d times", g.hours)
		}
		if g.value == nil {
			row.Value = "not known"
		}
		if why := texts(g.suspect); len(why) > 0 {
			row.Value += "; suspect: " + strings.Join(why, ", ")
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}
