package message

import (
	"fmt"
	"slices"
	"strings"

	"rimeline/seedability"
)

// outlookSentences are the outlook's own, of data that come from elsewhere: a
// release without score is not judged, whatever it says of its state.
func outlookSentences(o seedability.Outlook) []string {
	o.Releases = slices.Clone(o.Releases)
	for k := range o.Releases {
		if r := &o.Releases[k]; r.Score == nil && r.State != seedability.StateHold {
			r.State = seedability.StateBlind
		}
	}
	return o.Sentences()
}

func outlookLine(o seedability.Outlook) (name, state, what string) {
	return firstOf(o.Site.Name, o.Site.ID), "outlook", strings.Join(outlookSentences(o), "; ")
}

func outlookText(o seedability.Outlook) []string {
	p := &paper{}
	p.line("%s: outlook of %s", firstOf(o.Site.Name, o.Site.ID), stamp(o.IssuedAt))
	for _, sentence := range outlookSentences(o) {
		p.row("", sentence)
	}
	until := fmt.Sprintf("%s to %s UTC, programme %s", clock(o.From, o.IssuedAt), clock(o.To, o.IssuedAt), o.Programme)
	if !o.ModelReferenceTime.IsZero() {
		until += fmt.Sprintf("; model run of %s UTC", clock(o.ModelReferenceTime, o.IssuedAt))
	}
	p.row("releases", until)
	if s := o.Standing; s != nil && s.State != "" {
		p.row("now", fmt.Sprintf("%s since %s UTC: %s", s.State, clock(s.Since, o.IssuedAt), s.Reason))
	}
	for k := range o.Windows {
		w := &o.Windows[k]
		for _, target := range w.Targets {
			p.row(fmt.Sprintf("aim at %s UTC", clock(w.Best, o.IssuedAt)), fmt.Sprintf("%.0f %% lands in %s", 100*target.Probability, firstOf(target.Name, target.ID)))
		}
	}
	for _, text := range o.Notes {
		p.row("note", text)
	}
	for _, text := range o.Cautions {
		p.row("caution", text)
	}
	return p.lines
}
