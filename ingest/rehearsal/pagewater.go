package rehearsal

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The JSON of the National Water Prediction Service (api.water.noaa.gov/nwps/v1),
// members as in an answer of a real gauge; what an invented gauge has none of is
// left out.
type nwpsGauge struct {
	LID         string        `json:"lid"`
	USGSID      string        `json:"usgsId"`
	ReachID     string        `json:"reachId"`
	Name        string        `json:"name"`
	Description string        `json:"description"`
	RFC         nwpsOffice    `json:"rfc"`
	WFO         nwpsOffice    `json:"wfo"`
	State       nwpsOffice    `json:"state"`
	County      string        `json:"county"`
	TimeZone    string        `json:"timeZone"`
	Latitude    float64       `json:"latitude"`
	Longitude   float64       `json:"longitude"`
	Status      nwpsStatus    `json:"status"`
	Flood       nwpsFlood     `json:"flood"`
	Reliability string        `json:"forecastReliability"`
	InService   nwpsInService `json:"inService"`
}

type nwpsOffice struct {
	Abbreviation string `json:"abbreviation"`
	Name         string `json:"name"`
}

type nwpsStatus struct {
	Observed nwpsState `json:"observed"`
	Forecast nwpsState `json:"forecast"`
}

type nwpsState struct {
	Primary       number `json:"primary"`
	PrimaryUnit   string `json:"primaryUnit"`
	Secondary     number `json:"secondary"`
	SecondaryUnit string `json:"secondaryUnit"`
	FloodCategory string `json:"floodCategory"`
	ValidTime     string `json:"validTime"`
}

type nwpsFlood struct {
	StageUnits string         `json:"stageUnits"`
	FlowUnits  string         `json:"flowUnits"`
	Categories nwpsCategories `json:"categories"`
}

type nwpsCategories struct {
	Major    nwpsCategory `json:"major"`
	Moderate nwpsCategory `json:"moderate"`
	Minor    nwpsCategory `json:"minor"`
	Action   nwpsCategory `json:"action"`
}

type nwpsCategory struct {
	Stage float64 `json:"stage"`
	Flow  float64 `json:"flow"`
}

type nwpsInService struct {
	Enabled bool   `json:"enabled"`
	Message string `json:"message"`
}

type nwpsStageflow struct {
	Observed nwpsPart `json:"observed"`
	Forecast nwpsPart `json:"forecast"`
}

type nwpsPart struct {
	PEDTS          string      `json:"pedts"`
	IssuedTime     string      `json:"issuedTime"`
	PrimaryName    string      `json:"primaryName"`
	PrimaryUnits   string      `json:"primaryUnits"`
	SecondaryName  string      `json:"secondaryName"`
	SecondaryUnits string      `json:"secondaryUnits"`
	Data           []nwpsValue `json:"data"`
}

type nwpsValue struct {
	ValidTime string `json:"validTime"`
	Primary   number `json:"primary"`
	Secondary number `json:"secondary"`
}

// number is printed with no more decimals than it has.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, float64(n), 'f', -1, 64), nil
}

const (
	nwpsMissing = -999
	nwpsNoFlow  = -9999
)

func zulu(at time.Time) string { return at.UTC().Format("2006-01-02T15:04:05Z") }

// kcfs of a stage, to one cubic foot.
func kcfs(stageFt float64) number { return number(math.Round(dischargeCFS(stageFt)) / 1000) }

func (s *Scenario) nwpsState(stageFt float64, at time.Time) nwpsState {
	return nwpsState{number(stageFt), "ft", kcfs(stageFt), "kcfs", s.RiverGauge().category(stageFt), zulu(at)}
}

// gaugePage is gauges/{lid}.
func (s *Scenario) gaugePage(now time.Time) ([]byte, error) {
	g := s.RiverGauge()
	at := s.newestReading(now, gaugeEvery, nwpsAfter)
	stageFt, ok := s.readingFt(at)
	if !ok {
		at = at.Add(-gaugeEvery)
		stageFt, _ = s.readingFt(at)
	}
	foreseenFt, when := s.foreseenFt(now)
	of := func(stageFt float64) nwpsCategory { return nwpsCategory{stageFt, nwpsNoFlow} }
	return json.MarshalIndent(nwpsGauge{LID: g.LID, USGSID: g.USGS, Name: g.Name, RFC: nwpsOffice{"XVRFC", "Vantry River Forecast Center (invented)"},
		WFO: nwpsOffice{"VNT", "Vantry (invented)"}, State: nwpsOffice{warningState, "Vantry"}, County: "Vantry", TimeZone: "MST7MDT",
		Latitude: g.Place.LatitudeDeg, Longitude: g.Place.LongitudeDeg,
		Status:      nwpsStatus{s.nwpsState(stageFt, at), s.nwpsState(foreseenFt, when)},
		Flood:       nwpsFlood{"ft", "cfs", nwpsCategories{of(g.MajorFt), of(g.ModerateFt), of(g.MinorFt), of(g.ActionFt)}},
		Reliability: "Forecasts are issued routinely year-round.", InService: nwpsInService{true, ""}}, "", "  ")
}

// stageflowPage is gauges/{lid}/stageflow.
func (s *Scenario) stageflowPage(now time.Time) ([]byte, error) {
	newest := s.newestReading(now, gaugeEvery, nwpsAfter)
	part := func(pedts string, issued time.Time) nwpsPart {
		return nwpsPart{PEDTS: pedts, IssuedTime: zulu(issued), PrimaryName: "Stage", PrimaryUnits: "ft", SecondaryName: "Flow", SecondaryUnits: "kcfs"}
	}
	page := nwpsStageflow{part("HGIRG", newest.Add(nwpsAfter)), nwpsPart{}}
	for at := newest.Add(-gaugeHistory); !at.After(newest); at = at.Add(gaugeEvery) {
		value := nwpsValue{zulu(at), nwpsMissing, nwpsMissing}
		if stageFt, ok := s.readingFt(at); ok {
			value.Primary, value.Secondary = number(stageFt), kcfs(stageFt)
		}
		page.Observed.Data = append(page.Observed.Data, value)
	}
	f := s.riverForecast(now)
	page.Forecast = part("HGIFF", f.issued)
	for _, at := range f.times() {
		stageFt := f.stageFt(s, at)
		page.Forecast.Data = append(page.Forecast.Data, nwpsValue{zulu(at), number(stageFt), kcfs(stageFt)})
	}
	return json.Marshal(page)
}

// The JSON of the USGS instantaneous values service: WaterML 1.1 in the shape that
// JAXB gives it.
type waterML struct {
	Name            string       `json:"name"`
	DeclaredType    string       `json:"declaredType"`
	Scope           string       `json:"scope"`
	Value           waterMLValue `json:"value"`
	Nil             bool         `json:"nil"`
	GlobalScope     bool         `json:"globalScope"`
	TypeSubstituted bool         `json:"typeSubstituted"`
}

type waterMLValue struct {
	QueryInfo  waterMLQuery    `json:"queryInfo"`
	TimeSeries []waterMLSeries `json:"timeSeries"`
}

type waterMLQuery struct {
	QueryURL string          `json:"queryURL"`
	Criteria waterMLCriteria `json:"criteria"`
	Note     []waterMLNote   `json:"note"`
}

type waterMLCriteria struct {
	LocationParam string   `json:"locationParam"`
	VariableParam string   `json:"variableParam"`
	Parameter     []string `json:"parameter"`
}

type waterMLNote struct {
	Value string `json:"value"`
	Title string `json:"title"`
}

type waterMLSeries struct {
	SourceInfo waterMLSource   `json:"sourceInfo"`
	Variable   waterMLVariable `json:"variable"`
	Values     []waterMLBlock  `json:"values"`
	Name       string          `json:"name"`
}

type waterMLSource struct {
	SiteName     string            `json:"siteName"`
	SiteCode     []waterMLCode     `json:"siteCode"`
	TimeZoneInfo waterMLZones      `json:"timeZoneInfo"`
	GeoLocation  waterMLPlace      `json:"geoLocation"`
	Note         []string          `json:"note"`
	SiteType     []string          `json:"siteType"`
	SiteProperty []waterMLProperty `json:"siteProperty"`
}

type waterMLCode struct {
	Value      string `json:"value"`
	Network    string `json:"network"`
	AgencyCode string `json:"agencyCode"`
}

type waterMLZones struct {
	Standard     waterMLZone `json:"defaultTimeZone"`
	Daylight     waterMLZone `json:"daylightSavingsTimeZone"`
	UsesDaylight bool        `json:"siteUsesDaylightSavingsTime"`
}

type waterMLZone struct {
	Offset       string `json:"zoneOffset"`
	Abbreviation string `json:"zoneAbbreviation"`
}

type waterMLPlace struct {
	GeogLocation waterMLPoint `json:"geogLocation"`
	LocalSiteXY  []string     `json:"localSiteXY"`
}

type waterMLPoint struct {
	SRS       string  `json:"srs"`
	Latitude  float64 `json:"latitude"`
	Longitude float64 `json:"longitude"`
}

type waterMLProperty struct {
	Value string `json:"value"`
	Name  string `json:"name"`
}

type waterMLVariable struct {
	VariableCode     []waterMLParameter `json:"variableCode"`
	VariableName     string             `json:"variableName"`
	Description      string             `json:"variableDescription"`
	ValueType        string             `json:"valueType"`
	Unit             waterMLUnit        `json:"unit"`
	Options          waterMLOptions     `json:"options"`
	Note             []string           `json:"note"`
	NoDataValue      json.RawMessage    `json:"noDataValue"`
	VariableProperty []string           `json:"variableProperty"`
	OID              string             `json:"oid"`
}

type waterMLParameter struct {
	Value      string `json:"value"`
	Network    string `json:"network"`
	Vocabulary string `json:"vocabulary"`
	VariableID int    `json:"variableID"`
	Default    bool   `json:"default"`
}

type waterMLUnit struct {
	UnitCode string `json:"unitCode"`
}

type waterMLOptions struct {
	Option []waterMLOption `json:"option"`
}

type waterMLOption struct {
	Name       string `json:"name"`
	OptionCode string `json:"optionCode"`
}

type waterMLBlock struct {
	Value               []waterMLReading   `json:"value"`
	Qualifier           []waterMLQualifier `json:"qualifier"`
	QualityControlLevel []string           `json:"qualityControlLevel"`
	Method              []waterMLMethod    `json:"method"`
	Source              []string           `json:"source"`
	Offset              []string           `json:"offset"`
	Sample              []string           `json:"sample"`
	CensorCode          []string           `json:"censorCode"`
}

type waterMLReading struct {
	Value      string   `json:"value"`
	Qualifiers []string `json:"qualifiers"`
	DateTime   string   `json:"dateTime"`
}

type waterMLQualifier struct {
	Code        string `json:"qualifierCode"`
	Description string `json:"qualifierDescription"`
	ID          int    `json:"qualifierID"`
	Network     string `json:"network"`
	Vocabulary  string `json:"vocabulary"`
}

type waterMLMethod struct {
	Description string `json:"methodDescription"`
	ID          int    `json:"methodID"`
}

// usgsParameters of the gauge, by code.
var usgsParameters = []struct {
	code, name, description, unit string
	id                            int
	text                          func(stageFt float64) string
}{
	{"00060", "Streamflow, ft&#179;/s", "Discharge, cubic feet per second", "ft3/s", 45807197, func(stageFt float64) string {
		return strconv.FormatFloat(math.Round(dischargeCFS(stageFt)), 'f', 0, 64)
	}},
	{"00065", "Gage height, ft", "Gage height, feet", "ft", 45807202, func(stageFt float64) string { return strconv.FormatFloat(stageFt, 'f', 2, 64) }},
}

// usgsPage is nwis/iv/ in JSON, of some sites and parameters over a period before
// now; without a period the newest value.
func (s *Scenario) usgsPage(now time.Time, query string, sites, parameters []string, period time.Duration) ([]byte, error) {
	g := s.RiverGauge()
	page := waterML{Name: "ns1:timeSeriesResponseType", DeclaredType: "org.cuahsi.waterml.TimeSeriesResponseType", Scope: "javax.xml.bind.JAXBElement$GlobalScope", GlobalScope: true}
	page.Value.QueryInfo = waterMLQuery{QueryURL: "http://waterservices.usgs.gov/nwis/iv/" + query,
		Criteria: waterMLCriteria{"[ALL:" + strings.Join(sites, ", ") + "]", "[" + strings.Join(parameters, ", ") + "]", []string{}},
		Note: []waterMLNote{{"[ALL:" + strings.Join(sites, ", ") + "]", "filter:sites"}, {now.UTC().Format("2006-01-02T15:04:05.000Z"), "requestDT"},
			{"Provisional data are subject to revision. Go to http://waterdata.usgs.gov/nwis/help/?provisional for more information.", "disclaimer"},
			{"an invented storm of a rehearsal", "server"}}}
	page.Value.TimeSeries = []waterMLSeries{}
	newest := s.newestReading(now, gaugeEvery, usgsAfter)
	for _, parameter := range usgsParameters {
		if !slices.Contains(sites, g.USGS) || len(parameters) > 0 && !slices.Contains(parameters, parameter.code) {
			continue
		}
		block := waterMLBlock{Value: []waterMLReading{}, Qualifier: []waterMLQualifier{{"P", "Provisional data subject to revision.", 0, "NWIS", "uv_rmk_cd"}},
			QualityControlLevel: []string{}, Method: []waterMLMethod{{"", 99010 + parameter.id%10}}, Source: []string{}, Offset: []string{}, Sample: []string{}, CensorCode: []string{}}
		first := newest
		if period > 0 {
			first = now.Add(-period)
		}
		for at := first.Add(gaugeEvery - 1).Truncate(gaugeEvery); !at.After(newest); at = at.Add(gaugeEvery) {
			reading := waterMLReading{"-999999", []string{"P", "Eqp"}, at.In(localTime).Format("2006-01-02T15:04:05.000-07:00")}
			if stageFt, ok := s.readingFt(at); ok {
				reading.Value, reading.Qualifiers = parameter.text(stageFt), []string{"P"}
			} else {
				block.Qualifier = append(block.Qualifier, waterMLQualifier{"Eqp", "Value affected by equipment malfunction.", 1, "NWIS", "uv_rmk_cd"})
			}
			block.Value = append(block.Value, reading)
		}
		page.Value.TimeSeries = append(page.Value.TimeSeries, waterMLSeries{
			SourceInfo: waterMLSource{SiteName: strings.ToUpper(g.Name), SiteCode: []waterMLCode{{g.USGS, "NWIS", "USGS"}},
				TimeZoneInfo: waterMLZones{waterMLZone{"-07:00", "MST"}, waterMLZone{"-06:00", "MDT"}, true},
				GeoLocation:  waterMLPlace{waterMLPoint{"EPSG:4326", g.Place.LatitudeDeg, g.Place.LongitudeDeg}, []string{}},
				Note:         []string{}, SiteType: []string{}, SiteProperty: []waterMLProperty{{"ST", "siteTypeCd"}, {"00990000", "hucCd"}, {"99", "stateCd"}, {"99901", "countyCd"}}},
			Variable: waterMLVariable{VariableCode: []waterMLParameter{{parameter.code, "NWIS", "NWIS:UnitValues", parameter.id, true}},
				VariableName: parameter.name, Description: parameter.description, ValueType: "Derived Value", Unit: waterMLUnit{parameter.unit},
				Options: waterMLOptions{[]waterMLOption{{"Statistic", "00000"}}}, Note: []string{}, NoDataValue: json.RawMessage("-999999.0"), VariableProperty: []string{}, OID: strconv.Itoa(parameter.id)},
			Values: []waterMLBlock{block}, Name: fmt.Sprintf("USGS:%s:%s:00000", g.USGS, parameter.code)})
	}
	return json.Marshal(page)
}

// tablePage is the reservoir's table: two days of hours in local standard time, with
// an estimated value and one that is missing among them.
func (s *Scenario) tablePage(now time.Time) []byte {
	r := s.Reservoir()
	newest := s.newestReading(now, tableEvery, tableAfter)
	var b strings.Builder
	fmt.Fprintf(&b, "# %s. Capacity %.0f acre-feet. Times are Mountain Standard Time all year.\n", r.Name, r.CapacityAcreFt)
	b.WriteString("# Provisional data of an invented storm, subject to revision. Flags: P provisional, E estimated.\n")
	b.WriteString("station,date,time,storage_af,elevation_ft,flag\n")
	for at := newest.Add(-48 * time.Hour); !at.After(newest); at = at.Add(tableEvery) {
		storage := s.storageReadingAcreFt(at)
		text, flag := strconv.FormatFloat(storage, 'f', 0, 64), "P"
		switch at.Sub(s.start.Truncate(tableEvery)) {
		case -20 * time.Hour:
			text, flag = "---", ""
		case -19 * time.Hour:
			flag = "E"
		}
		fmt.Fprintf(&b, "%s,%s,%s,%.2f,%s\n", r.ID, at.In(localTime).Format("2006-01-02,15:04"), text, 5310+storage/410, flag)
	}
	return []byte(b.String())
}

// storageReadingAcreFt is what stands in the table for an hour.
func (s *Scenario) storageReadingAcreFt(at time.Time) float64 {
	return math.Round(s.StorageAcreFt(at) + 2*s.noise(drawnStorage, at))
}
