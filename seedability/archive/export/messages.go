package export

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"time"

	"rimeline/seedability/bus"
)

// NDJSON writes messages of a kind as they came, a CloudEvent a line.
func NDJSON(ctx context.Context, s *Source, kind string, into io.Writer) (messages int64, err error) {
	w := bufio.NewWriterSize(into, 1<<16)
	for _, programme := range s.Programmes {
		err = s.Reader.ExtractEvents(ctx, kind, s.Extraction(programme), timeOf(kind), func(_ bus.Stored, raw []byte) error {
			messages++
			if _, err := w.Write(raw); err != nil {
				return err
			}
			return w.WriteByte('\n')
		})
		if err != nil {
			break
		}
	}
	if flushing := w.Flush(); err == nil {
		err = flushing
	}
	return messages, err
}

// timeOf a message by which it belongs to a stretch of time; nil for that of the event.
func timeOf(kind string) func(*bus.Stored) time.Time {
	if kind != bus.Score.Name {
		return nil
	}
	return func(s *bus.Stored) time.Time {
		var of struct {
			ReleaseTime time.Time `json:"release_time"`
		}
		if err := json.Unmarshal(s.Event.Data, &of); err != nil || of.ReleaseTime.IsZero() {
			return s.Event.Time
		}
		return of.ReleaseTime
	}
}
