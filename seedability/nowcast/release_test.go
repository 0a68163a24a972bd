package nowcast

import (
	"math"
	"testing"
	"time"
)

func minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

func passing(from, peak, to, sd float64) Arrival {
	at := func(m float64) Timing { return Timing{midnight.Add(minutes(m)), minutes(sd)} }
	return Arrival{Probability: 1, Arrival: at(from), Peak: at(peak), End: at(to)}
}

// Without uncertainty the window is the band's passage, moved forward by the
// transport time.
func TestWindowOfSureTimes(t *testing.T) {
	w := ReleaseWindow(passing(60, 75, 100, 0), Transport{minutes(40), minutes(40), minutes(40)}, WindowOptions{})
	for _, test := range []struct {
		what string
		got  time.Time
		want float64
	}{{"start", w.Start, 20}, {"best", w.Best, 35}, {"end", w.End, 60}} {
		if got := test.got.Sub(midnight).Minutes(); math.Abs(got-test.want) > 0.05 {
			t.Errorf("%s at %.2f min, want %g within 0.05", test.what, got, test.want)
		}
	}
	if w.State != Open || w.Probability != 1 {
		t.Errorf("%v, probability %g", w.State, w.Probability)
	}
}

// With normal errors on both sides the probability that agent released at r
// meets the band is Φ((r + T - A)/√(σA² + σT²)) - Φ((r + T - E)/√(σE² + σT²)).
func TestWindowIsTheConvolution(t *testing.T) {
	const transport, sdTransport, sdBand = 40, 6, 5
	q := 1.2815515655446004 * sdTransport
	taking := Transport{minutes(transport - q), minutes(transport), minutes(transport + q)}
	total := math.Hypot(sdTransport, sdBand)
	phi := func(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
	probability := func(r float64) float64 { return phi((r+transport-60)/total) - phi((r+transport-90)/total) }
	for _, least := range []float64{0.3, 0.5, 0.8} {
		w := ReleaseWindow(passing(60, 75, 90, sdBand), taking, WindowOptions{LeastProbability: least})
		if w.State != Open {
			t.Fatalf("%g: %v", least, w.State)
		}
		start, end, best := w.Start.Sub(midnight).Minutes(), w.End.Sub(midnight).Minutes(), w.Best.Sub(midnight).Minutes()
		// The transport time in 100 shares narrows it by less than 1 %.
		if math.Abs(probability(start)-least) > 0.01 || math.Abs(probability(end)-least) > 0.01 {
			t.Errorf("%g: at start %.4f, at end %.4f", least, probability(start), probability(end))
		}
		if math.Abs(w.Probability-probability(35)) > 0.01 || math.Abs(best-35) > 0.1 {
			t.Errorf("best at %.1f min with %.4f, want 35 and %.4f", best, w.Probability, probability(35))
		}
	}
	// Less sure, narrower.
	sure := ReleaseWindow(passing(60, 75, 90, 1), taking, WindowOptions{LeastProbability: 0.8})
	unsure := ReleaseWindow(passing(60, 75, 90, 10), taking, WindowOptions{LeastProbability: 0.8})
	if unsure.State == Open && unsure.End.Sub(unsure.Start) >= sure.End.Sub(sure.Start) || unsure.Probability >= sure.Probability {
		t.Errorf("uncertainty does not narrow: %v to %v, probability %g against %g", unsure.Start, unsure.End, unsure.Probability, sure.Probability)
	}
}

// A long tail of slow transport pulls the window forward.
func TestSkewedTransport(t *testing.T) {
	even := ReleaseWindow(passing(60, 75, 90, 2), Transport{minutes(35), minutes(40), minutes(45)}, WindowOptions{LeastProbability: 0.9})
	slow := ReleaseWindow(passing(60, 75, 90, 2), Transport{minutes(35), minutes(40), minutes(60)}, WindowOptions{LeastProbability: 0.8})
	if !slow.End.Before(even.End) {
		t.Errorf("with a slow tail the window ends %v, without %v", slow.End, even.End)
	}
	if got := transportTimesS(Transport{minutes(35), minutes(40), minutes(60)}); math.Abs((got[9]+got[10])/2-35*60) > 20 || math.Abs((got[89]+got[90])/2-60*60) > 40 {
		t.Errorf("quantiles 10 and 90: %g and %g s, want 2100 and 3600", (got[9]+got[10])/2, (got[89]+got[90])/2)
	}
}

func TestWindowStates(t *testing.T) {
	taking := Transport{minutes(36), minutes(40), minutes(44)}
	band := passing(60, 75, 90, 2)
	doubtful := band
	doubtful.Probability = 0.4
	bare := passing(60, 62, 64, 20)
	for _, test := range []struct {
		what      string
		band      Arrival
		transport Transport
		options   WindowOptions
		want      WindowState
	}{
		{"in time", band, taking, WindowOptions{NotBefore: midnight}, Open},
		{"part of it is past", band, taking, WindowOptions{NotBefore: midnight.Add(minutes(40))}, Open},
		{"all of it is past", band, taking, WindowOptions{NotBefore: midnight.Add(minutes(55))}, TooLate},
		{"long past", band, taking, WindowOptions{NotBefore: midnight.Add(24 * time.Hour)}, TooLate},
		{"may miss", doubtful, taking, WindowOptions{}, Improbable},
		{"short and unsure", bare, taking, WindowOptions{}, Improbable},
		{"asks less", doubtful, taking, WindowOptions{LeastProbability: 0.3}, Open},
		{"quantiles out of order", band, Transport{minutes(44), minutes(40), minutes(36)}, WindowOptions{}, Unusable},
		{"negative time", band, Transport{-1, 0, 0}, WindowOptions{}, Unusable},
		{"ends before it arrives", passing(60, 50, 40, 1), taking, WindowOptions{}, Unusable},
		{"absurd", passing(60, 70, 1e6, 1), taking, WindowOptions{}, Unusable},
	} {
		w := ReleaseWindow(test.band, test.transport, test.options)
		if w.State != test.want {
			t.Errorf("%s: %v, want %v", test.what, w.State, test.want)
		}
		switch w.State {
		case Open:
			if w.Start.After(w.Best) || w.Best.After(w.End) || w.Start.Before(test.options.NotBefore) {
				t.Errorf("%s: %v, %v, %v", test.what, w.Start, w.Best, w.End)
			}
		case Unusable:
			if !w.Start.IsZero() || !w.Best.IsZero() {
				t.Errorf("%s: times all the same", test.what)
			}
		}
	}
	past := ReleaseWindow(band, taking, WindowOptions{NotBefore: midnight.Add(minutes(40))})
	if !past.Start.Equal(midnight.Add(minutes(40))) || !past.Best.Equal(past.Start) {
		t.Errorf("starts %v, best %v: want now, at minute 40", past.Start, past.Best)
	}
}
