package hold

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"rimeline/seedability/programme"
)

// yearDay is the day of a leap year, 0 to 365, of "MM-DD"; so every date has one
// place in every year. NaN for what is no date.
func yearDay(monthDay string) float64 {
	t, err := time.Parse(time.DateOnly, "2000-"+monthDay)
	if err != nil {
		return math.NaN()
	}
	return float64(t.YearDay() - 1)
}

// onDay is the value of a yearly table at the date of a moment, by days.
//
//	step    the value of the last date that has come, round the year
//	curve   straight lines between the dates, round the year
//	linear  straight lines from the first date to the last; between the last and
//	        the first of the next season the lower of the two
//
// The days between two dates are those of the year at hand: 29 February counts
// where there is one.
func onDay(table []programme.DatedValue, at time.Time, between string) float64 {
	if len(table) == 0 {
		return math.NaN()
	}
	today := time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, time.UTC)
	// The dates of the table about today: the last that has come, and the next.
	before, after := -1, -1
	var began, ends time.Time
	for k, point := range table {
		for year := at.Year() - 1; year <= at.Year()+1; year++ {
			day, err := time.Parse(time.DateOnly, fmt.Sprintf("%04d-%s", year, point.Date))
			if err != nil { // 29 February
				if day, err = time.Parse(time.DateOnly, fmt.Sprintf("%04d-02-28", year)); err != nil || point.Date != "02-29" {
					return math.NaN()
				}
			}
			if !day.After(today) && (before < 0 || day.After(began)) {
				before, began = k, day
			}
			if day.After(today) && (after < 0 || day.Before(ends)) {
				after, ends = k, day
			}
		}
	}
	if before < 0 || after < 0 {
		return math.NaN()
	}
	low, high := table[before].Value, table[after].Value
	switch {
	case between == "step" || began.Equal(today):
		return low
	case between == "linear" && before == len(table)-1:
		return math.Min(low, high)
	}
	return low + (high-low)*today.Sub(began).Hours()/ends.Sub(began).Hours()
}

// season suspends outside the dates, both days included, in local time.
func (j *judge) season(h *programme.Hold) verdict {
	local := j.e.At.In(j.zone())
	today, from, to := yearDay(local.Format("01-02")), yearDay(h.FromDate), yearDay(h.ToDate)
	inside := today >= from && today <= to
	if from > to {
		inside = today >= from || today <= to
	}
	return j.byClock(inside, fmt.Sprintf("%s local date; the season is %s to %s", local.Format("01-02"), h.FromDate, h.ToDate), "the first day of the season, "+h.FromDate, from, to)
}

// hours suspends outside the hours of the clock on the wall: where it is put back
// an hour comes twice, where it is put forward one is missing.
func (j *judge) hours(h *programme.Hold) verdict {
	local := j.e.At.In(j.zone())
	now := float64(local.Hour()*60 + local.Minute())
	from, to := wallMinutes(h.FromTime), wallMinutes(h.ToTime)
	inside := now >= from && now < to
	if from > to {
		inside = now >= from || now < to
	}
	return j.byClock(inside, fmt.Sprintf("%s local time (%s); permitted are %s to %s", local.Format("15:04"), local.Format("MST"), h.FromTime, h.ToTime), h.FromTime+" local time", from, to)
}

func wallMinutes(text string) float64 {
	if len(text) != 5 {
		return math.NaN()
	}
	hour, err1 := strconv.Atoi(text[:2])
	minute, err2 := strconv.Atoi(text[3:])
	if err1 != nil || err2 != nil {
		return math.NaN()
	}
	return float64(hour*60 + minute)
}

func (j *judge) byClock(inside bool, sentence, remedy string, from, to float64) verdict {
	in := Input{Name: "clock", State: "used", Time: j.e.At}
	switch {
	case math.IsNaN(from) || math.IsNaN(to):
		return verdict{Unknown, "the limits cannot be read: " + sentence, "a programme file that is right", []Input{in}}
	case inside:
		return verdict{Clear, "it is " + sentence, "", []Input{in}}
	}
	return verdict{Held, "it is " + sentence, remedy, []Input{in}}
}
