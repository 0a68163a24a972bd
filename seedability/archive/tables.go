package archive

import (
	"encoding/json"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// A row of the smaller tables: their data as they came, beside the columns that
// people ask for.
type dataRow[T any] struct {
	stamp
	of   T
	data json.RawMessage
}

func rowText[T any](name string, f func(T) string) column[dataRow[T]] {
	return column[dataRow[T]]{heading: heading{name: name, of: textColumn, parquetOnly: true}, text: func(r *dataRow[T]) string { return f(r.of) }}
}

func rowTime[T any](name string, f func(T) time.Time) column[dataRow[T]] {
	return column[dataRow[T]]{heading: heading{name: name, of: timeColumn}, time: func(r *dataRow[T]) time.Time { return f(r.of) }}
}

func rowFloat[T any](name, unit string, f func(T) float64) column[dataRow[T]] {
	return column[dataRow[T]]{heading: heading{name: name, unit: unit}, float: func(r *dataRow[T]) float64 { return f(r.of) }}
}

// dataTable: group, sequence, event_id, time of the event, the columns, data.
func dataTable[T any](group string, columns ...column[dataRow[T]]) []column[dataRow[T]] {
	all := stamps(group, func(r *dataRow[T]) *stamp { return &r.stamp })
	all = append(all, column[dataRow[T]]{heading: heading{name: "time", of: timeColumn}, time: func(r *dataRow[T]) time.Time { return r.at }})
	all = append(all, columns...)
	return append(all, column[dataRow[T]]{heading: heading{name: "data_json", of: textColumn, parquetOnly: true}, text: func(r *dataRow[T]) string { return string(r.data) }})
}

type outlookRow struct {
	stamp
	o *seedability.Outlook
	r *seedability.OutlookRelease
}

func outlookFloat(name, unit string, f func(*seedability.OutlookRelease) float64) column[outlookRow] {
	return column[outlookRow]{heading: heading{name: name, unit: unit}, float: func(r *outlookRow) float64 { return f(r.r) }}
}

// outlookColumns: a row a release of an outlook. time is the release, issued_at when
// the outlook was made.
var outlookColumns = append(stamps("site", func(r *outlookRow) *stamp { return &r.stamp }),
	column[outlookRow]{heading: heading{name: "time", of: timeColumn}, time: func(r *outlookRow) time.Time { return r.r.ReleaseTime }},
	column[outlookRow]{heading: heading{name: "issued_at", of: timeColumn}, time: func(r *outlookRow) time.Time { return r.o.IssuedAt }},
	column[outlookRow]{heading: heading{name: "model_reference_time", of: timeColumn}, time: func(r *outlookRow) time.Time { return r.o.ModelReferenceTime }},
	outlookFloat("lead_minutes", "min", func(r *seedability.OutlookRelease) float64 { return r.LeadMinutes }),
	outlookFloat("score", "1", func(r *seedability.OutlookRelease) float64 { return numberOf(r.Score) }),
	outlookFloat("opportunity", "1", func(r *seedability.OutlookRelease) float64 { return numberOf(r.Opportunity) }),
	outlookFloat("target_probability", "1", func(r *seedability.OutlookRelease) float64 { return numberOf(r.TargetProbability) }),
	outlookFloat("confidence", "1", func(r *seedability.OutlookRelease) float64 { return r.Confidence }),
	outlookFloat("activation_minutes", "min", func(r *seedability.OutlookRelease) float64 { return numberOf(r.ActivationMinutes) }),
	outlookFloat("landing_minutes", "min", func(r *seedability.OutlookRelease) float64 { return numberOf(r.LandingMinutes) }),
	column[outlookRow]{heading: heading{name: "state", of: textColumn}, text: func(r *outlookRow) string { return string(r.r.State) }},
	column[outlookRow]{heading: heading{name: "reason", of: textColumn}, text: func(r *outlookRow) string { return r.r.Reason }},
)

type holdRow struct {
	of      *message.Holds
	outcome *hold.Result
}

var (
	holdColumns = dataTable("place",
		rowText("key", func(r holdRow) string { return r.outcome.Key }),
		rowText("criterion", func(r holdRow) string { return r.outcome.Criterion }),
		rowText("kind", func(r holdRow) string { return r.outcome.Kind }),
		rowText("outcome", func(r holdRow) string { return string(r.outcome.Outcome) }),
		rowText("condition", func(r holdRow) string { return string(r.outcome.Condition) }),
		rowTime("since", func(r holdRow) time.Time { return r.outcome.Since }),
		rowTime("at", func(r holdRow) time.Time { return r.outcome.At }),
		rowText("reason", func(r holdRow) string { return r.outcome.Reason }))
	alertColumns = dataTable("kind",
		rowText("alert", func(a *alert.Alert) string { return a.ID }),
		rowText("thread", func(a *alert.Alert) string { return a.Thread }),
		rowText("change", func(a *alert.Alert) string { return string(a.Change) }),
		rowText("severity", func(a *alert.Alert) string { return string(a.Severity) }),
		rowTime("raised", func(a *alert.Alert) time.Time { return a.Raised }),
		rowText("subject", func(a *alert.Alert) string { return a.Subject }),
		rowFloat("score", "1", func(a *alert.Alert) float64 { return numberOf(a.Score) }),
		rowFloat("confidence", "1", func(a *alert.Alert) float64 { return numberOf(a.Confidence) }))
	ackColumns = dataTable("place",
		rowText("alert", func(a *message.Ack) string { return a.Alert }),
		rowText("by", func(a *message.Ack) string { return a.By }),
		rowTime("at", func(a *message.Ack) time.Time { return a.At }),
		rowText("via", func(a *message.Ack) string { return a.Via }))
	orderColumns = dataTable("action",
		rowText("id", func(o *message.Order) string { return o.ID }),
		rowText("by", func(o *message.Order) string { return o.By }),
		rowText("role", func(o *message.Order) string { return o.Role }),
		rowTime("at", func(o *message.Order) time.Time { return o.At }),
		rowTime("until", func(o *message.Order) time.Time { return o.Until }),
		rowText("lifts", func(o *message.Order) string { return o.Lifts }),
		rowText("reason", func(o *message.Order) string { return o.Reason }))
	deliveryColumns = dataTable("route",
		rowText("alert", func(d *alert.Delivery) string { return d.AlertID }),
		rowFloat("attempt", "1", func(d *alert.Delivery) float64 { return float64(d.Attempt) }),
		rowText("outcome", func(d *alert.Delivery) string { return string(d.Outcome) }),
		rowTime("at", func(d *alert.Delivery) time.Time { return d.At }),
		rowText("error", func(d *alert.Delivery) string { return d.Error }))
	adviceColumns = dataTable("site",
		rowText("withheld", func(a *alert.Advice) string { return yes(a.Withheld) }),
		rowTime("release_start", func(a *alert.Advice) time.Time { return a.ReleaseStart }),
		rowTime("release_end", func(a *alert.Advice) time.Time { return a.ReleaseEnd }),
		rowFloat("units", "1", func(a *alert.Advice) float64 { return float64(a.Units) }),
		rowFloat("grams_total", "g", func(a *alert.Advice) float64 { return a.GramsTotal }),
		rowFloat("crystals_per_litre", "L-1", func(a *alert.Advice) float64 { return numberOf(a.CrystalsPerLitre) }))
	releaseColumns = dataTable("site",
		rowText("id", func(r *alert.Release) string { return r.ID }),
		rowText("who", func(r *alert.Release) string { return r.Who }),
		rowTime("at", func(r *alert.Release) time.Time { return r.At }),
		rowText("unit", func(r *alert.Release) string { return r.Unit }),
		rowTime("start", func(r *alert.Release) time.Time { return r.Start }),
		rowTime("end", func(r *alert.Release) time.Time { return r.End }),
		rowText("agent", func(r *alert.Release) string { return r.Agent }),
		rowFloat("grams", "g", func(r *alert.Release) float64 { return r.Grams }),
		rowText("purpose", func(r *alert.Release) string { return r.Purpose }),
		rowText("corrects", func(r *alert.Release) string { return r.Corrects }))
	inputColumns = dataTable("kind",
		rowText("source", func(i *message.Input) string { return i.Source }),
		rowText("input_id", func(i *message.Input) string { return i.InputID }),
		rowText("object_id", func(i *message.Input) string { return i.ObjectID }),
		rowText("station", func(i *message.Input) string { return i.Station }),
		rowTime("reference_time", func(i *message.Input) time.Time { return i.ReferenceTime }),
		rowTime("valid_time", func(i *message.Input) time.Time { return i.ValidTime }),
		rowTime("published_time", func(i *message.Input) time.Time { return i.PublishedTime }),
		rowTime("fetched_time", func(i *message.Input) time.Time { return i.FetchedTime }),
		rowText("crop_sha256", func(i *message.Input) string {
			if i.Crop == nil {
				return ""
			}
			return i.Crop.SHA256
		}),
		rowText("error", func(i *message.Input) string { return i.Error }))
	telemetryColumns = dataTable[struct{}]("site")
	healthColumns    = dataTable("worker",
		rowText("host", func(h *message.Health) string { return h.Host }),
		rowText("version", func(h *message.Health) string { return h.Version }),
		rowTime("started_time", func(h *message.Health) time.Time { return h.StartedTime }),
		rowText("state", func(h *message.Health) string { return string(h.State) }),
		rowText("reasons_json", func(h *message.Health) string { return asJSON(h.Reasons) }))
	conditionColumns = dataTable("place",
		rowText("quantity", func(c conditionRow) string { return c.quantity }),
		rowText("from", func(c conditionRow) string { return c.from }),
		rowFloat("precipitation_mm_per_h", "mm h-1", func(c conditionRow) float64 { return numberOf(c.rain.MMPerH) }),
		rowFloat("liquid_share", "1", func(c conditionRow) float64 { return numberOf(c.rain.LiquidShare) }),
		rowFloat("covered_share", "1", func(c conditionRow) float64 { return numberOf(c.rain.CoveredShare) }),
		rowFloat("freezing_level_altitude_m", "m", func(c conditionRow) float64 { return numberOf(c.freezing.AltitudeM) }),
		rowFloat("wind_speed_m_per_s", "m s-1", func(c conditionRow) float64 { return numberOf(c.wind.SpeedMPerS) }),
		rowFloat("wind_gust_m_per_s", "m s-1", func(c conditionRow) float64 { return numberOf(c.wind.GustMPerS) }),
		rowFloat("wind_from_deg", "degree", func(c conditionRow) float64 { return numberOf(c.wind.FromDeg) }),
		rowTime("valid_time", func(c conditionRow) time.Time { return c.at }),
		rowTime("issued", func(c conditionRow) time.Time { return c.issued }),
		rowText("suspect_json", func(c conditionRow) string {
			if len(c.suspect) == 0 {
				return ""
			}
			return asJSON(c.suspect)
		}))
)

// conditionRow is one finding of conditions: precipitation, the freezing level or wind
// at one place by one means.
type conditionRow struct {
	quantity, place, from string
	rain                  message.Precipitation
	freezing              message.FreezingLevel
	wind                  message.Wind
	at, issued            time.Time
	suspect               []string
	data                  json.RawMessage
}

// findings of conditions, a row each.
func findings(c *message.Conditions) []conditionRow {
	var rows []conditionRow
	for _, x := range c.Precipitation {
		rows = append(rows, conditionRow{quantity: "precipitation", place: x.Place, from: x.From, rain: x, at: x.Time, issued: x.Issued, suspect: x.Suspect, data: json.RawMessage(asJSON(x))})
	}
	for _, x := range c.FreezingLevels {
		rows = append(rows, conditionRow{quantity: "freezing_level", place: x.Target, from: x.From, freezing: x, at: x.Time, issued: x.Issued, suspect: x.Suspect, data: json.RawMessage(asJSON(x))})
	}
	for _, x := range c.Winds {
		rows = append(rows, conditionRow{quantity: "wind", place: x.Site, from: x.From, wind: x, at: x.Time, issued: x.Issued, suspect: x.Suspect, data: json.RawMessage(asJSON(x))})
	}
	return rows
}

func yes(x bool) string {
	if x {
		return "true"
	}
	return "false"
}

// indexRow is one message of a day.
type indexRow struct {
	kind, subject, id, key string
	sequence               uint64
	stored, at             time.Time
}

// indexColumns: which messages a day has, in the order of their files.
var indexColumns = []column[indexRow]{
	{heading: heading{name: "kind", of: textColumn}, text: func(r *indexRow) string { return r.kind }},
	{heading: heading{name: "sequence", of: intColumn}, int: func(r *indexRow) int64 { return int64(r.sequence) }},
	{heading: heading{name: "stored", of: timeColumn}, time: func(r *indexRow) time.Time { return r.stored }},
	{heading: heading{name: "time", of: timeColumn}, time: func(r *indexRow) time.Time { return r.at }},
	{heading: heading{name: "subject", of: textColumn}, text: func(r *indexRow) string { return r.subject }},
	{heading: heading{name: "event_id", of: textColumn}, text: func(r *indexRow) string { return r.id }},
	{heading: heading{name: "key", of: textColumn}, text: func(r *indexRow) string { return r.key }},
}

// Names of the tables.
const (
	TableScores     = "scores"
	TablePaths      = "paths"
	TableOutlooks   = "outlooks"
	TableHolds      = "holds"
	TableAlerts     = "alerts"
	TableAcks       = "acks"
	TableOrders     = "orders"
	TableDeliveries = "deliveries"
	TableAdvice     = "advice"
	TableReleases   = "releases"
	TableInputs     = "inputs"
	TableTelemetry  = "telemetry"
	// TableConditions has a row for each finding: precipitation, freezing level, wind.
	TableConditions = "conditions"
	// TableHealth lies with the days of no programme.
	TableHealth = "health"
	tableIndex  = "index"
)

// layouts of all tables.
var layouts = []*layout{
	layoutOf(TableScores, "time", "time", scoreColumns),
	layoutOf(TablePaths, "release_time", "time", pathColumns),
	layoutOf(TableOutlooks, "issued_at", "time", outlookColumns),
	layoutOf(TableHolds, "time", "time", holdColumns),
	layoutOf(TableAlerts, "time", "time", alertColumns),
	layoutOf(TableAcks, "time", "time", ackColumns),
	layoutOf(TableOrders, "time", "time", orderColumns),
	layoutOf(TableDeliveries, "time", "time", deliveryColumns),
	layoutOf(TableAdvice, "time", "time", adviceColumns),
	layoutOf(TableReleases, "time", "time", releaseColumns),
	layoutOf(TableInputs, "time", "time", inputColumns),
	layoutOf(TableTelemetry, "time", "time", telemetryColumns),
	layoutOf(TableConditions, "time", "time", conditionColumns),
	layoutOf(TableHealth, "time", "time", healthColumns),
	layoutOf(tableIndex, "stored", "stored", indexColumns),
}

func layoutNamed(name string) *layout {
	for _, l := range layouts {
		if l.name == name {
			return l
		}
	}
	return nil
}

// lineKinds are written as JSON lines too, under the name of their table.
var lineKinds = map[string]string{
	bus.Hold.Name: TableHolds, bus.Alert.Name: TableAlerts, bus.Ack.Name: TableAcks, bus.Order.Name: TableOrders,
	bus.Delivery.Name: TableDeliveries, bus.Advice.Name: TableAdvice, bus.Release.Name: TableReleases,
}

// rowsOf puts a message into the tables it belongs to. into gives the block of a
// table for a group of its rows. It gives about how many bytes were added, why crops
// of the day are worth keeping, and an error where the data cannot be read.
func rowsOf(e *bus.Event, s stamp, into func(table, group string) *block) (size int64, pinned string, err error) {
	data, err := message.Decode(*e)
	if err != nil {
		return 0, "", err
	}
	small := func(table string) *block { return into(table, s.site) }
	switch of := data.(type) {
	case seedability.Assessment:
		size = add(into(TableScores, s.site), scoreColumns, &scoreRow{s, &of})
		if len(of.Path) > 0 {
			paths := into(TablePaths, s.site)
			for k := range of.Path {
				size += add(paths, pathColumns, &pathRow{s, &of, &of.Path[k]})
			}
		}
		if of.State == seedability.StateWindow || of.State == seedability.StateHold {
			pinned = string(of.State)
		}
	case seedability.Outlook:
		for k := range of.Releases {
			size += add(into(TableOutlooks, s.site), outlookColumns, &outlookRow{s, &of, &of.Releases[k]})
		}
	case message.Holds:
		for k := range of.Results {
			r := &of.Results[k]
			if r.Outcome == hold.Held {
				pinned = string(seedability.StateHold)
			}
			size += add(small(TableHolds), holdColumns, &dataRow[holdRow]{s, holdRow{&of, r}, json.RawMessage(asJSON(r))})
		}
	case message.Input:
		size = add(small(TableInputs), inputColumns, &dataRow[*message.Input]{s, &of, e.Data})
	case message.Order:
		size = add(small(TableOrders), orderColumns, &dataRow[*message.Order]{s, &of, e.Data})
	case alert.Alert:
		size = add(small(TableAlerts), alertColumns, &dataRow[*alert.Alert]{s, &of, e.Data})
	case message.Ack:
		size = add(small(TableAcks), ackColumns, &dataRow[*message.Ack]{s, &of, e.Data})
	case alert.Delivery:
		size = add(small(TableDeliveries), deliveryColumns, &dataRow[*alert.Delivery]{s, &of, e.Data})
	case alert.Advice:
		size = add(small(TableAdvice), adviceColumns, &dataRow[*alert.Advice]{s, &of, e.Data})
	case alert.Release:
		size = add(small(TableReleases), releaseColumns, &dataRow[*alert.Release]{s, &of, e.Data})
	case message.Health:
		size = add(small(TableHealth), healthColumns, &dataRow[*message.Health]{s, &of, e.Data})
	case message.Conditions:
		for _, row := range findings(&of) {
			at := s
			at.site = row.place
			size += add(into(TableConditions, at.site), conditionColumns, &dataRow[conditionRow]{at, row, row.data})
		}
	case json.RawMessage:
		size = add(small(TableTelemetry), telemetryColumns, &dataRow[struct{}]{s, struct{}{}, of})
	}
	return size, pinned, nil
}
