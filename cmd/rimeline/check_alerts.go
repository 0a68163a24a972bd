package main

import (
	"fmt"

	"rimeline/seedability/programme"
)

// printAlerts says who is told what. Whether the files of secrets are there is
// looked at where alerts are sent, not here: a programme file is checked anywhere.
func printAlerts(p *page, d *programme.AlertsDescription) {
	p.printf("\nWho is told what\n")
	p.paragraph(d.Timing)
	for _, r := range d.Rules {
		text := fmt.Sprintf("Rule %s tells %s, of %s, by %s.", r.ID, r.Tells, r.Of, r.By)
		if r.Quiet != "" {
			text += " It is silent from " + r.Quiet + "."
		}
		if r.Unanswered != "" {
			text += " Until somebody acknowledges: " + r.Unanswered + "."
		}
		p.paragraph(text)
	}
	for _, r := range d.Routes {
		text := fmt.Sprintf("Route %s: %s.", r.ID, r.Way)
		if r.Secrets != "" {
			text += " Secrets: " + r.Secrets + "."
		}
		p.paragraph(text)
	}
	if d.BusOnly {
		p.paragraph("Nobody is told by mail, webhook or command: alerts are on the message bus alone.")
	}
	if len(d.Rules) > 0 {
		p.paragraph(d.Answers)
	}
}
