package pages

import (
	"fmt"
	"math"
	"time"

	"rimeline/seedability"
)

// outlookView is what is foreseen for one site.
type outlookView struct {
	Issued, Run *instant
	Old         string
	// But says why its windows are none now.
	But       string
	Sentences []string
	Windows   []windowView
	Gone      []windowView
	Notes     []string
	Figure    *outlookFigure
}

// outlookStands: an outlook older than this is called old. It is made with every
// model run and when observations change it; common practice, no source.
const outlookStands = 3 * time.Hour

func newOutlookView(o *seedability.Outlook, p *Programme, f face) *outlookView {
	if o == nil {
		return nil
	}
	v := &outlookView{Issued: f.at(o.IssuedAt), Run: f.at(o.ModelReferenceTime), Notes: texts(o.Notes)}
	if age := f.now.Sub(o.IssuedAt); age > outlookStands {
		v.Old = fmt.Sprintf("This outlook is of %s ago.", span(age))
	} else if age < -clocksDiffer {
		v.Old = fmt.Sprintf("This outlook is dated %s ahead of this clock.", span(age))
	}
	sentences := sentencesOf(o)
	windows := min(len(o.Windows), longList)
	for k := range windows {
		w := windowViewOf(&o.Windows[k], f)
		if k < len(sentences) {
			w.Text = capital(plain(sentences[k], longText))
		}
		v.Windows = append(v.Windows, *w)
	}
	for k := range o.Gone[:min(len(o.Gone), longList)] {
		v.Gone = append(v.Gone, *windowViewOf(&o.Gone[k], f))
	}
	for _, text := range sentences[min(len(o.Windows), len(sentences)):] {
		if len(v.Sentences) < longList {
			v.Sentences = append(v.Sentences, capital(plain(text, longText)))
		}
	}
	v.Figure = newOutlookFigure(o, p.File.Thresholds.WindowScore, f)
	return v
}

// sentencesOf an outlook. They take the score of every judged release for granted;
// an outlook from elsewhere that lacks one has none.
func sentencesOf(o *seedability.Outlook) []string {
	for k := range o.Releases {
		r := &o.Releases[k]
		if (r.State != seedability.StateBlind && r.State != seedability.StateHold) && r.Score == nil {
			return nil
		}
	}
	return o.Sentences()
}

// outlookFigure is the outlook drawn along time: a bar a release, as high as its
// score; windows above; local time and UTC below.
type outlookFigure struct {
	Width, Height int
	Top, Bottom   string // of the bars' field
	Left, Right   string
	Bars          []figureBar
	Windows       []figureWindow
	Limit         string // y of the least score of a window
	LimitText     string
	Now           string // x; empty where now is outside
	// Ticks are hours of the zone, with the hour of UTC at the same place; UTC is
	// false where the two are one.
	Ticks       []figureTick
	UTC         bool
	LocalName   string
	Scale       []figureTick // of the score
	Description string
	HasBlind    bool
	HasHold     bool
}

type figureBar struct {
	X, Y, W, H string
	Class      string
	Title      string
}

type figureWindow struct {
	X, W, Best       string
	Title            string
	OpenFrom, OpenTo bool
}

type figureTick struct {
	At   string // x or y
	Text string
	UTC  string
	Day  bool
}

const longestOutlook = 17 * 24 * time.Hour // beyond every model that is read

func coordinate(x float64) string { return fmt.Sprintf("%.1f", x) }

// newOutlookFigure draws an outlook; nil where nothing can be drawn.
func newOutlookFigure(o *seedability.Outlook, limit float64, f face) *outlookFigure {
	n := min(len(o.Releases), longSeries)
	if n < 2 {
		return nil
	}
	releases := o.Releases[:n]
	from, to := releases[0].ReleaseTime, releases[n-1].ReleaseTime
	if whole := to.Sub(from); whole <= 0 || whole > longestOutlook {
		return nil
	}
	const width, height, left, right, top, bottom = 900, 240, 74., 888., 52., 182.
	step := to.Sub(from) / time.Duration(n-1)
	from, to = from.Add(-step/2), to.Add(step/2)
	x := func(t time.Time) float64 {
		share := float64(t.Sub(from)) / float64(to.Sub(from))
		return left + (right-left)*math.Max(0, math.Min(1, share))
	}
	y := func(score float64) float64 { return bottom - (bottom-top)*math.Max(0, math.Min(100, score))/100 }
	fig := &outlookFigure{Width: width, Height: height, Top: coordinate(top), Bottom: coordinate(bottom), Left: coordinate(left), Right: coordinate(right),
		Limit: coordinate(y(limit)), LimitText: digits(limit, 0), LocalName: zoneName(from.In(f.zone))}
	if other := zoneName(to.In(f.zone)); other != fig.LocalName {
		fig.LocalName += "/" + other
	}
	judged, best := 0, 0.0
	for k := range releases {
		r := &releases[k]
		begin, end := r.ReleaseTime.Add(-step/2), r.ReleaseTime.Add(step/2)
		if k > 0 {
			begin = releases[k-1].ReleaseTime.Add(r.ReleaseTime.Sub(releases[k-1].ReleaseTime) / 2)
		}
		if k < n-1 {
			end = r.ReleaseTime.Add(releases[k+1].ReleaseTime.Sub(r.ReleaseTime) / 2)
		}
		if !end.After(begin) {
			continue
		}
		x0, x1 := x(begin), x(end)
		gap := math.Min(1, (x1-x0)*.15)
		if !(r.State == seedability.StateWindow || r.State == seedability.StateQuiet || r.State == seedability.StateBuilding) {
			gap = 0 // one field
		}
		b := figureBar{X: coordinate(x0 + gap), W: coordinate(math.Max(x1-x0-2*gap, .3))}
		high := bottom - top // what is not judged fills the field
		switch r.State {
		case seedability.StateWindow, seedability.StateQuiet, seedability.StateBuilding:
			b.Class, high = string(r.State), 0
			if r.Score != nil {
				high = bottom - y(*r.Score)
				judged++
				best = math.Max(best, *r.Score)
			}
			high = math.Max(high, 1)
			b.Title = fmt.Sprintf("%s: score %s, confidence %s", f.both(r.ReleaseTime), number(r.Score, 0), digits(r.Confidence, 2))
		case seedability.StateHold:
			b.Class, fig.HasHold = "hold", true
			b.Title = f.both(r.ReleaseTime) + ": hold; " + plain(r.Reason, 200)
		default:
			b.Class, fig.HasBlind = "blind", true
			b.Title = f.both(r.ReleaseTime) + ": cannot be judged; " + plain(r.Reason, 200)
		}
		b.Y, b.H = coordinate(bottom-high), coordinate(high)
		fig.Bars = append(fig.Bars, b)
	}
	for k := range o.Windows[:min(len(o.Windows), longList)] {
		w := &o.Windows[k]
		if !w.End.After(from) || !w.Start.Before(to) {
			continue
		}
		x0, x1 := x(w.Start), x(w.End)
		fig.Windows = append(fig.Windows, figureWindow{X: coordinate(x0), W: coordinate(math.Max(x1-x0, 3)), Best: coordinate(x(w.Best)),
			Title: fmt.Sprintf("window %s to %s, best %s", f.both(w.Start), f.both(w.End), f.both(w.Best)), OpenFrom: w.StartsBefore || w.AfterBlind, OpenTo: w.EndsAfter || w.BeforeBlind})
	}
	if !f.now.Before(from) && !f.now.After(to) {
		fig.Now = coordinate(x(f.now))
	}
	for _, score := range []float64{0, 50, 100} {
		fig.Scale = append(fig.Scale, figureTick{At: coordinate(y(score)), Text: digits(score, 0)})
	}
	fig.Ticks = ticks(from, to, f.zone, x)
	fig.UTC = fig.LocalName != "UTC"
	fig.Description = fmt.Sprintf("Score by time of release from %s to %s: %d of %d releases are judged, the highest score is %s; %s.", f.both(o.From), f.both(o.To), judged, n, digits(best, 0), counted(len(fig.Windows), "window"))
	return fig
}

// ticks are hours of a zone that leave room for their names. The hours are walked,
// not counted, so that days on which clocks change are right.
func ticks(from, to time.Time, zone *time.Location, x func(time.Time) float64) []figureTick {
	every, whole := 1, to.Sub(from)
	for _, step := range []struct {
		upTo  time.Duration
		hours int
	}{{10 * time.Hour, 1}, {20 * time.Hour, 2}, {30 * time.Hour, 3}, {60 * time.Hour, 6}, {120 * time.Hour, 12}} {
		every = 24
		if whole <= step.upTo {
			every = step.hours
			break
		}
	}
	var out []figureTick
	for t := from.Truncate(15 * time.Minute); !t.After(to); t = t.Add(15 * time.Minute) {
		local := t.In(zone)
		if t.Before(from) || local.Minute() != 0 || local.Hour()%every != 0 {
			continue
		}
		tick := figureTick{At: coordinate(x(t)), Text: local.Format("15"), UTC: t.UTC().Format("15"), Day: local.Hour() == 0}
		if t.UTC().Minute() != 0 {
			tick.UTC = t.UTC().Format("15:04")
		}
		if tick.Day {
			tick.Text = local.Format("Mon 2")
		}
		out = append(out, tick)
	}
	return out
}
