package archive_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
)

// How many releases of one site reached a score of 60 on a day.
func ExampleReader_Scores() {
	dir, err := os.MkdirTemp("", "archive")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	a, err := archive.Open(dir, archive.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer a.Close()
	begin := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	for k, score := range []float64{31, 58, 64, 71} {
		at := begin.Add(time.Duration(k) * 15 * time.Minute)
		assessment := seedability.Assessment{Programme: "larkspur", Site: seedability.SiteRef{ID: "quill"}, ReleaseTime: at, AsOf: at}
		assessment.Score.Value = &score
		e, err := bus.NewEvent(bus.Score, "larkspur", "quill", at, assessment)
		if err == nil {
			err = a.Add(ctx, bus.Score.Name, uint64(k+1), at, e)
		}
		if err != nil {
			fmt.Println(err)
			return
		}
	}
	if err := a.Flush(ctx); err != nil { // until then the stream has to keep them
		fmt.Println(err)
		return
	}
	fmt.Println("safe up to message", a.Positions()["score"])

	reached := 0
	q := archive.Query{Programme: "larkspur", Sites: []string{"quill"}, From: begin, To: begin.Add(24 * time.Hour)}
	for rows, err := range a.Scores(ctx, q, "score") {
		if err != nil {
			fmt.Println(err)
			return
		}
		for _, score := range rows.Column("score").Floats { // NaN where it is not known
			if score >= 60 {
				reached++
			}
		}
	}
	fmt.Println(reached, "releases reached 60")
	// Output:
	// safe up to message 4
	// 2 releases reached 60
}
