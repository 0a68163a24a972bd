package message_test

import (
	"errors"
	"fmt"
	"time"

	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

func ExampleLine() {
	now := time.Date(2026, 1, 14, 5, 40, 0, 0, time.UTC)
	e, err := bus.NewEvent(bus.Input, "larkspur", "radar", now, message.Input{
		Programme: "larkspur", Source: "radar-volumes", Kind: "radar", ObjectID: "XLRK20260114_053300", Station: "XLRK",
		ValidTime: now.Add(-7 * time.Minute), FetchedTime: now, Files: []message.InputFile{{Name: "XLRK20260114_053300_V06", Bytes: 5_432_100}},
	})
	if err != nil {
		panic(err)
	}
	fmt.Println(message.Line(e))
	// Output: 14 Jan 05:40 UTC  radar XLRK              arrived     of 05:33 UTC, 7 min old, 5.4 MB
}

func ExampleDecode() {
	// A newer program on the same bus: its messages are refused by name, not misread.
	_, err := message.Decode(bus.Event{Type: "rimeline.score.v2", Data: []byte(`{}`)})
	fmt.Println(errors.Is(err, message.ErrNewerVersion))
	fmt.Println(err)
	// Output:
	// true
	// rimeline.score.v2: version 2, this program reads up to version 1: update it: newer version of the message
}
