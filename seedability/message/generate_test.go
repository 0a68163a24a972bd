package message

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/seedability/bus"
)

var update = flag.Bool("update", false, "write the schemas and the AsyncAPI document anew")

// object is a JSON object whose members keep their order.
type object []member

type member struct {
	name  string
	value any
}

func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for k, m := range o {
		value, err := json.Marshal(m.value)
		if err != nil {
			return nil, err
		}
		if k > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%q:%s", m.name, value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

func (o object) get(name string) any {
	for _, m := range o {
		if m.name == name {
			return m.value
		}
	}
	return nil
}

func pretty(t testing.TB, value any) []byte {
	t.Helper()
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	if err := encoder.Encode(value); err != nil {
		t.Fatal(err)
	}
	// Members with their own encoder come escaped.
	return bytes.NewBuffer(unescape.ReplaceAllFunc(b.Bytes(), func(code []byte) []byte {
		return map[string][]byte{`\u003c`: []byte("<"), `\u003e`: []byte(">"), `\u0026`: []byte("&")}[string(code)]
	})).Bytes()
}

var unescape = regexp.MustCompile(`\\u003[ce]|\\u0026`)

// What Go types do not say. Keys of fieldRules are "package.Type.Field", those of
// nameRules JSON names, of suffixRules their ends; the first that has a keyword
// wins, and comments in the Go source win over descriptions here.
var (
	fieldRules = map[string]object{
		"seedability.Assessment.Programme":               {{"description", "id of the programme"}},
		"seedability.Assessment.ReleaseTime":             {{"description", "when agent is released"}},
		"seedability.Assessment.StateReason":             {{"description", "why the state is what it is, one sentence"}},
		"seedability.Assessment.Path":                    {{"description", "the ensemble mean, step by step from the release"}},
		"seedability.Assessment.Bands":                   {{"description", "bands and cells on their way over the activation zone"}},
		"seedability.Assessment.Inputs":                  {{"description", "what the assessment was made from"}},
		"seedability.Assessment.Notes":                   {{"description", "what is worth knowing, one sentence each"}},
		"seedability.Assessment.Cautions":                {{"description", "go with every assessment and are shown with it"}},
		"seedability.Score.Value":                        {{"minimum", 0}, {"maximum", 100}},
		"seedability.Score.Opportunity":                  {{"minimum", 0}, {"maximum", 1}},
		"seedability.Score.Components":                   {{"description", "in the order in which they are shown"}},
		"seedability.Score.Caps":                         {{"description", "what limits the opportunity"}},
		"seedability.Component.Name":                     {{"description", "liquid, temperature, cloud-top, delivery, cross-barrier-wind, cloud-depth, band, natural-ice; others may follow"}},
		"seedability.Component.Quantity":                 {{"description", "what is measured, in words"}},
		"seedability.Component.Unit":                     {{"description", "of input; 1 for a number without unit"}},
		"seedability.Component.Value":                    {{"minimum", 0}, {"maximum", 1}},
		"seedability.Component.Weight":                   {{"minimum", 0}},
		"seedability.Component.Factor":                   {{"description", "true: it multiplies the mean of the others, and can only take away"}},
		"seedability.Component.Reason":                   {{"description", "how the input was found, or why it is missing, one sentence"}},
		"seedability.Component.Source":                   {{"description", "where the thresholds come from"}},
		"seedability.Cap.Limit":                          {{"description", "the opportunity is at most this"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.Confidence.Value":                   {{"description", "the product of the three"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.Confidence.Freshness":               {{"description", "how new the model run was, 1 for fresh"}},
		"seedability.Confidence.Coverage":                {{"description", "how much of what is asked for was known"}},
		"seedability.Confidence.Agreement":               {{"description", "how well model and observations agree"}},
		"seedability.Confidence.Reasons":                 {{"description", "what went into it, one sentence each"}},
		"seedability.RateView.MMPerH":                    {{"description", "liquid equivalent, mm/h"}, {"minimum", 0}},
		"seedability.RateView.Class":                     {{"description", "unknown, dry, light, moderate or heavy"}},
		"seedability.ReleaseView.State":                  {{"description", "open, improbable, too late or unusable; others may follow"}},
		"seedability.BandPassage.Kind":                   {{"enum", []string{"band", "cell"}}},
		"seedability.BandPassage.ID":                     {{"description", "number of the object in the picture that was last looked at"}},
		"seedability.BandPassage.Probability":            {{"description", "that it comes over the zone"}},
		"seedability.BandPassage.Arrival":                {{"description", "when its edge reaches the zone"}},
		"seedability.BandPassage.Peak":                   {{"description", "when its strongest echo is over the zone"}},
		"seedability.BandPassage.End":                    {{"description", "when it has left the zone"}},
		"seedability.Transport.Members":                  {{"description", "members of the ensemble"}, {"minimum", 0}},
		"seedability.Transport.LandingMinutes":           {{"description", "minutes after release"}},
		"seedability.Transport.Landing":                  {{"description", "mean over the members that landed; null where none did"}},
		"seedability.Transport.Targets":                  {{"description", "in the order of the programme file"}},
		"seedability.Levels.Place":                       {{"description", "which column, in words"}},
		"seedability.Levels.CloudBaseM":                  {{"description", "altitude of the cloud base; null without cloud"}},
		"seedability.Levels.CloudTopM":                   {{"description", "altitude of the cloud top; null without cloud"}},
		"seedability.Levels.CloudTopK":                   {{"description", "air temperature at the cloud top; null without cloud"}},
		"seedability.Liquid.Method":                      {{"description", "the method whose answer was used"}},
		"seedability.Liquid.Estimates":                   {{"description", "every method's answer"}},
		"seedability.LiquidEstimate.Quality":             {{"description", "how much of it counts"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.Dose.CrystalsPerLitre":              {{"description", "ice crystals in a litre of air"}, {"minimum", 0}},
		"seedability.Dose.ActivatedPerGram":              {{"description", "ice crystals from a gram of agent"}, {"minimum", 0}},
		"seedability.PathStep.Minutes":                   {{"description", "after release"}, {"minimum", 0}},
		"seedability.PathStep.Members":                   {{"minimum", 0}},
		"seedability.PathStep.LiquidKgPerM3":             {{"description", "cloud liquid water in the air, kg/m3; null where the model gives none"}},
		"seedability.File.SHA256":                        {{"pattern", "^([0-9a-f]{64})?$"}, {"description", "of the content as it lay there, 64 hexadecimal digits; empty where it was not read whole"}},
		"seedability.Input.Freshness":                    {{"description", "1 for fresh, 0 for useless"}},
		"seedability.Input.Label":                        {{"description", "name for people"}},
		"seedability.Knot.X":                             {{"description", "in the unit of the component"}},
		"seedability.Knot.Mu":                            {{"description", "membership there"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.RadarView.Radar":                    {{"description", "the radar, or its label for people"}},
		"seedability.RadarView.Profile":                  {{"description", "reflectivity at isotherms"}},
		"seedability.RadarView.EchoTop":                  {{"description", "highest echo of 18 dBZ; null without echo"}},
		"seedability.RadarView.BrightBand":               {{"description", "the melting layer; null where none was seen"}},
		"seedability.RadarView.Target":                   {{"description", "precipitation rate over the target; null where it was not seen"}},
		"seedability.RadarView.Hints":                    {{"description", "what the radar suggests, one sentence each"}},
		"seedability.RadarView.AboveActivationM":         {{"description", "how far above the activation the lowest beam is: what is lower is not seen"}},
		"seedability.RadarView.WindDifferenceMPerS":      {{"minimum", 0}},
		"seedability.LayerView.DBZ":                      {{"description", "strongest reflectivity, dBZ; null without echo"}},
		"seedability.LayerView.SeenShare":                {{"description", "share of the layer's depth that a beam passed through"}},
		"seedability.LayerView.ElevationDeg":             {{"description", "elevation of that sweep"}},
		"seedability.LayerView.HalfBeamM":                {{"description", "half the beam's width there"}, {"minimum", 0}},
		"seedability.LevelView.Sight":                    {{"description", "echo, no echo, or why it was not seen"}},
		"seedability.EchoTopView.AtLeast":                {{"description", "true: the highest beam still saw echo, so the top is higher"}},
		"seedability.BrightBandView.DBZ":                 {{"description", "reflectivity of its peak, dBZ"}},
		"seedability.SatelliteView.Phase":                {{"description", "of the cloud top: clear, liquid, supercooled, mixed, ice or unknown"}},
		"seedability.SatelliteView.Good":                 {{"description", "the retrieval is of full quality, and its parallax known"}},
		"seedability.SatelliteView.ParallaxM":            {{"description", "by how much the top was moved to stand over its place"}, {"minimum", 0}},
		"seedability.TargetResult.Probability":           {{"description", "share of the members that land in it"}},
		"seedability.TargetResult.StandardError":         {{"minimum", 0}, {"maximum", 1}},
		"seedability.TargetResult.Short":                 {{"description", "landed short of it"}},
		"seedability.TargetResult.Past":                  {{"description", "landed past it"}},
		"seedability.TargetResult.Beside":                {{"description", "landed beside it"}},
		"seedability.Score.TargetStandardError":          {{"description", "sampling error of target_probability"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.BrightBandView.AltitudeM":           {{"description", "altitude of its peak"}},
		"seedability.RadarView.IceLoading":               {{"minimum", 0}},
		"seedability.LevelView.AirTemperatureK":          {{"description", "which isotherm"}},
		"seedability.SatelliteView.AltitudeM":            {{"description", "altitude of the cloud top"}},
		"seedability.SatelliteView.AirTemperatureK":      {{"description", "air temperature at the cloud top"}},
		"seedability.Event.BearingDeg":                   {{"description", "from the site, clockwise from north"}},
		"seedability.File.Name":                          {{"description", "base name"}},
		"seedability.Input.Files":                        {{"description", "what it was read from"}},
		"seedability.Moment.Time":                        {{"description", "the most likely time"}},
		"seedability.Moment.SDMinutes":                   {{"description", "one standard deviation of it"}, {"minimum", 0}},
		"seedability.BandPassage.PeakDBZ":                {{"description", "strongest reflectivity in it, dBZ"}},
		"seedability.BrightBandView.BelowFreezingLevelM": {{"description", "how far the peak lies below the model's 0 °C level"}},
		"seedability.ReleaseView.Start":                  {{"description", "first release that meets the band"}},
		"seedability.ReleaseView.Best":                   {{"description", "release that meets it most surely"}},
		"seedability.ReleaseView.End":                    {{"description", "last release that meets it"}},
		"seedability.ReleaseView.Probability":            {{"description", "that agent released at the best time meets the band"}},
		"seedability.SiteRef.ModelTerrainM":              {{"description", "altitude of the model's ground there"}},
		"seedability.PathStep.AltitudeSpreadM":           {{"description", "standard deviation of the members' altitudes"}},
		"seedability.Ellipse.SemiMajorM":                 {{"description", "longer semi-axis"}, {"minimum", 0}},
		"seedability.Ellipse.SemiMinorM":                 {{"description", "shorter semi-axis"}, {"minimum", 0}},
		"seedability.Quantiles.Q10":                      {{"description", "a tenth of the members got there before; null where none did"}},
		"seedability.Quantiles.Q50":                      {{"description", "median; null where none got there"}},
		"seedability.Quantiles.Q90":                      {{"description", "nine tenths of the members got there before; null where none did"}},
		"seedability.LiquidEstimate.Method":              {{"description", "name of the method"}},
		"seedability.Confidence.Lead":                    {{"minimum", 0}, {"maximum", 1}},
		"seedability.Outlook.To":                         {{"description", "last release time"}},
		"seedability.Outlook.Releases":                   {{"description", "every release time, rising"}},
		"seedability.Outlook.Windows":                    {{"description", "stretches of release times that are expected to work, in order of time"}},
		"seedability.Outlook.Notes":                      {{"description", "what is worth knowing, one sentence each"}},
		"seedability.Outlook.Cautions":                   {{"description", "go with every outlook and are shown with it"}},
		"seedability.OutlookRelease.ReleaseTime":         {{"description", "when agent is released"}},
		"seedability.OutlookRelease.Score":               {{"description", "null where a mandatory component is not known"}, {"minimum", 0}, {"maximum", 100}},
		"seedability.OutlookRelease.Opportunity":         {{"description", "null where a mandatory component is not known"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.OutlookRelease.TargetProbability":   {{"description", "share of the members that land in a target"}},
		"seedability.OutlookRelease.Confidence":          {{"description", "how far the score can be trusted"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.OutlookRelease.LandingMinutes":      {{"description", "median over the members that landed, minutes after release"}},
		"seedability.Window.Start":                       {{"description", "first release time in it"}},
		"seedability.Window.Best":                        {{"description", "release time with the highest score"}},
		"seedability.Window.End":                         {{"description", "last release time in it"}},
		"seedability.Window.EndsAfter":                   {{"description", "the last release of the outlook is still in the window"}},
		"seedability.Window.BeforeBlind":                 {{"description", "the release after the window is not judged"}},
		"seedability.Window.Releases":                    {{"minimum", 0}},
		"seedability.Window.PeakScore":                   {{"minimum", 0}, {"maximum", 100}},
		"seedability.Window.Confidence":                  {{"description", "of the release with the highest score"}, {"minimum", 0}, {"maximum", 1}},
		"seedability.Window.Targets":                     {{"description", "of the release with the highest score"}},
		"seedability.Window.New":                         {{"description", "the run before judged this time and showed no window"}},
		"seedability.WindowTarget.Probability":           {{"description", "share of the members that land in it"}},
		"seedability.Move.StartMinutes":                  {{"description", "of its start"}},
		"seedability.Move.BestMinutes":                   {{"description", "of its best time"}},
		"seedability.Move.EndMinutes":                    {{"description", "of its end"}},
		"seedability.Move.SinceRun":                      {{"description", "start of the model run that it is compared with"}},
		"seedability.Standing.Streak":                    {{"minimum", 0}},
		"message.Health.Host":                            {{"description", "name of the machine"}},
		"message.Health.Sources":                         {{"description", "one row for each source of each programme that the worker fetches"}},
		"message.Health.Queues":                          {{"description", "one row for each work queue"}},
		"message.SourceHealth.BehindSeconds":             {{"minimum", 0}},
		"message.SourceHealth.Source":                    {{"description", "name of the source"}},
		"message.DeadLetter.JobID":                       {{"description", "id of the job"}},
		"message.DeadLetter.Deliveries":                  {{"minimum", 0}},
		"message.InputFile.URL":                          {{"format", "uri"}, {"description", "where it was fetched from"}},
		"message.InputFile.Name":                         {{"description", "base name"}},
		"message.Crop.Bytes":                             {{"description", "size of the crop"}},
		"message.Crop.SHA256":                            {{"description", "of the crop, 64 hexadecimal digits"}},
		"message.Ack.By":                                 {{"description", "name of the person"}},
		"message.Ack.At":                                 {{"description", "when it was acknowledged"}},
		"message.Conditions.AsOf":                        {{"description", "the moment of which they tell"}},
		"message.Precipitation.Time":                     {{"description", "when it was seen, or for which it was forecast"}},
		"message.Precipitation.MMPerH":                   {{"minimum", 0}},
		"message.FreezingLevel.Target":                   {{"description", "id of the target"}},
		"message.FreezingLevel.Time":                     {{"description", "when it was seen, or for which it was forecast"}},
		"message.Wind.Site":                              {{"description", "id of the site"}},
		"message.Wind.Time":                              {{"description", "when it was measured, or for which it was forecast"}},
		"message.Wind.SpeedMPerS":                        {{"minimum", 0}},
		"message.Wind.GustMPerS":                         {{"minimum", 0}},
		"message.Wind.FromDeg":                           {{"minimum", 0}, {"maximum", 360}},
		"message.Holds.At":                               {{"description", "the moment of judgement"}},
		"message.Order.At":                               {{"description", "when it was given"}},
		"message.Order.By":                               {{"description", "name of the person"}},
		"message.Order.Targets":                          {{"description", "ids of the targets of a manual hold; left out: all"}},
		"hold.Result.Criterion":                          {{"description", "id of the criterion, as in the programme file"}},
		"hold.Result.Kind":                               {{"description", "kind of the criterion, as in the programme file"}},
		"hold.Result.Targets":                            {{"description", "ids of the targets that it suspends; empty: all"}},
		"hold.Result.At":                                 {{"description", "the moment of judgement"}},
		"hold.Result.WhoMayLift":                         {{"description", "names or roles of those who may lift it"}},
		"hold.Result.WhatWouldLift":                      {{"description", "what has to change, one sentence"}},
		"hold.Result.Inputs":                             {{"description", "what it was judged by, or should have been"}},
		"hold.Input.Unit":                                {{"description", "of value"}},
		"hold.Input.AgeMinutes":                          {{"description", "age at the moment of judgement"}},
		"hold.Input.MaximumMinutes":                      {{"description", "the age from which on it cannot be judged"}},
		"alert.Advice.Site":                              {{"description", "id of the site"}},
		"alert.Advice.ReleaseStart":                      {{"description", "when the first unit might be lit"}},
		"alert.Advice.ReleaseEnd":                        {{"description", "when the last unit is out"}},
		"alert.Advice.SpacingS":                          {{"minimum", 0}},
		"alert.Advice.Units":                             {{"minimum", 0}},
		"alert.Advice.AtOnce":                            {{"description", "units that burn together"}, {"minimum", 0}},
		"alert.Advice.GramsTotal":                        {{"description", "agent in all, g"}, {"minimum", 0}},
		"alert.Advice.CrystalsPerLitre":                  {{"minimum", 0}},
		"alert.Advice.Reasons":                           {{"description", "one sentence each"}},
		"alert.Advice.Caution":                           {{"description", "goes with every advice and is shown with it"}},
		"alert.Alert.ProgrammeName":                      {{"description", "name for people"}},
		"alert.Alert.Sites":                              {{"description", "what it is about; empty where that is no site"}},
		"alert.Alert.Raised":                             {{"description", "when it was raised"}},
		"alert.Alert.Best":                               {{"description", "the best release time of a window"}},
		"alert.Alert.End":                                {{"description", "end of a window"}},
		"alert.Alert.Certainty":                          {{"description", "how sure it is"}},
		"alert.Alert.Stoppers":                           {{"description", "what could stop it"}},
		"alert.Alert.Confidence":                         {{"minimum", 0}, {"maximum", 1}},
		"alert.Alert.Score":                              {{"description", "the highest score of sites"}, {"minimum", 0}, {"maximum", 100}},
		"alert.Alert.Lifts":                              {{"description", "what would lift a hold"}},
		"alert.Alert.Evidence":                           {{"description", "where more is to be seen"}},
		"alert.Alert.Caution":                            {{"description", "goes with every alert and is shown with it"}},
		"alert.Alert.Routes":                             {{"description", "ids of the routes by which it goes out"}},
		"alert.Alert.First":                              {{"description", "id of the alert that it repeats"}},
		"alert.Alert.Escalation":                         {{"minimum", 0}},
		"alert.Alert.UnansweredS":                        {{"description", "for how many seconds nobody has acknowledged it"}, {"minimum", 0}},
		"alert.Alert.AckBy":                              {{"description", "who has acknowledged it"}},
		"alert.Alert.Contact":                            {{"description", "whom to ask"}},
		"alert.Link.Title":                               {{"description", "name for people"}},
		"alert.Link.URL":                                 {{"description", "address, or the name of a picture"}},
		"alert.Reference.ID":                             {{"description", "id of the alert"}},
		"alert.Reference.Raised":                         {{"description", "when it was raised"}},
		"alert.SiteRef.End":                              {{"description", "end of the window of this site"}},
		"alert.SiteRef.Held":                             {{"description", "what suspends the site; left out where nothing is known"}},
		"alert.Delivery.AlertID":                         {{"description", "id of the alert"}},
		"alert.Delivery.Route":                           {{"description", "id of the route"}},
		"alert.Delivery.Attempt":                         {{"minimum", 0}},
		"alert.Delivery.Next":                            {{"description", "when it is tried again"}},
		"alert.Delivery.Error":                           {{"description", "why it failed; left out where it did not"}},
		"alert.Release.Who":                              {{"description", "who recorded it"}},
		"alert.Release.Site":                             {{"description", "id of the site"}},
		"alert.Release.Start":                            {{"description", "when the release began"}},
		"alert.Release.End":                              {{"description", "when it ended"}},
		"alert.Release.Agent":                            {{"description", "what was released"}},
		"alert.Release.Grams":                            {{"minimum", 0}},
		"alert.Release.Purpose":                          {{"description", "what it was for"}},
	}
	nameRules = map[string]object{
		"id":                {{"description", "as in the programme file"}},
		"name":              {{"description", "name for people"}},
		"label":             {{"description", "name for people"}},
		"reason":            {{"description", "one sentence"}},
		"programme":         {{"description", "id of the programme"}},
		"latitude_deg":      {{"description", "degrees north"}, {"minimum", -90}, {"maximum", 90}},
		"longitude_deg":     {{"description", "degrees east"}, {"minimum", -180}, {"maximum", 360}},
		"south_deg":         {{"description", "degrees north"}, {"minimum", -90}, {"maximum", 90}},
		"north_deg":         {{"description", "degrees north"}, {"minimum", -90}, {"maximum", 90}},
		"west_deg":          {{"description", "degrees east"}, {"minimum", -180}, {"maximum", 360}},
		"east_deg":          {{"description", "degrees east"}, {"minimum", -180}, {"maximum", 360}},
		"altitude_m":        {{"description", "metres above the geoid"}},
		"height_m":          {{"description", "metres above ground"}},
		"air_temperature_k": {{"description", "kelvin"}},
		"dbz":               {{"description", "reflectivity, dBZ"}},
		"time":              {{"description", "when it was seen"}},
		"age_minutes":       {{"description", "age at as_of"}},
		"sha256":            {{"pattern", "^[0-9a-f]{64}$"}},
		"freshness":         {{"minimum", 0}, {"maximum", 1}},
		"coverage":          {{"minimum", 0}, {"maximum", 1}},
		"agreement":         {{"minimum", 0}, {"maximum", 1}},
		"known_weight":      {{"minimum", 0}, {"maximum", 1}},
		"bytes":             {{"minimum", 0}},
		"waiting":           {{"minimum", 0}},
		"running":           {{"minimum", 0}},
		"inside":            {{"minimum", 0}},
		"short":             {{"minimum", 0}},
		"past":              {{"minimum", 0}},
		"beside":            {{"minimum", 0}},
	}
	suffixRules = []struct {
		end  string
		rule object
	}{
		{"probability", object{{"minimum", 0}, {"maximum", 1}}},
		{"_share", object{{"minimum", 0}, {"maximum", 1}}},
		{"_k", object{{"exclusiveMinimum", 0}}},
		{"distance_m", object{{"minimum", 0}}},
		{"spread_m", object{{"minimum", 0}}},
		{"bearing_deg", object{{"minimum", 0}, {"maximum", 360}}},
		{"axis_deg", object{{"minimum", 0}, {"maximum", 360}}},
	}
	// unpublished are fields that are never set in a message.
	unpublished = map[string]bool{"alert.Delivery.Alert": true}
	// open are types of text whose values may become more within this version.
	open = map[string]bool{"alert.Kind": true, "alert.Change": true}
	// reserved are values that are not sent yet but will be, within this version.
	reserved = map[string][]constant{
		"seedability.State": {{"hold", "suspended by a criterion that is met or cannot be judged"}},
	}
)

type constant struct{ value, text string }

// source is what the Go source of one package says beside its types.
type source struct {
	types     map[string]string            // comment of a type
	fields    map[string]map[string]string // comment of a field, by type
	constants map[string][]constant        // of a type, in order
}

// sourceOf reads the package in a folder.
func sourceOf(t testing.TB, folder string) *source {
	t.Helper()
	s := &source{types: map[string]string{}, fields: map[string]map[string]string{}, constants: map[string][]constant{}}
	files, err := filepath.Glob(filepath.Join(folder, "*.go"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no Go files in %s: %v", folder, err)
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		for _, declaration := range file.Decls {
			general, ok := declaration.(*ast.GenDecl)
			if !ok {
				continue
			}
			for _, spec := range general.Specs {
				switch spec := spec.(type) {
				case *ast.TypeSpec:
					s.types[spec.Name.Name] = sentence(general.Doc, spec.Doc)
					if fields, ok := spec.Type.(*ast.StructType); ok {
						s.fields[spec.Name.Name] = map[string]string{}
						for _, field := range fields.Fields.List {
							for _, name := range field.Names {
								s.fields[spec.Name.Name][name.Name] = sentence(field.Doc, field.Comment)
							}
						}
					}
				case *ast.ValueSpec:
					of, ok := spec.Type.(*ast.Ident)
					if !ok || general.Tok != token.CONST || len(spec.Values) != 1 {
						continue
					}
					if literal, ok := spec.Values[0].(*ast.BasicLit); ok && literal.Kind == token.STRING {
						value, err := strconv.Unquote(literal.Value)
						if err != nil {
							t.Fatal(err)
						}
						s.constants[of.Name] = append(s.constants[of.Name], constant{value, sentence(spec.Doc, spec.Comment)})
					}
				}
			}
		}
	}
	return s
}

func sentence(groups ...*ast.CommentGroup) string {
	var parts []string
	for _, g := range groups {
		if g != nil {
			parts = append(parts, strings.Fields(g.Text())...)
		}
	}
	return strings.Join(parts, " ")
}

// generator makes the schema of one type of data.
type generator struct {
	t       testing.TB
	sources map[string]*source // by path of the package
	names   map[string]string  // JSON names of Go fields that cannot be words
	defs    map[string]object
}

func (g *generator) source(path string) *source {
	if g.sources[path] == nil {
		g.sources[path] = sourceOf(g.t, filepath.Join("..", "..", filepath.FromSlash(strings.TrimPrefix(path, "rimeline/"))))
	}
	return g.sources[path]
}

// schemaOf is the whole document of one kind.
func schemaOf(t testing.TB, r reader) object {
	t.Helper()
	g := &generator{t: t, sources: map[string]*source{}, names: map[string]string{}, defs: map[string]object{}}
	for _, any := range readers {
		g.collectNames(any.data, map[reflect.Type]bool{})
	}
	root := g.structure(r.data)
	document := object{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"},
		{"$id", r.kind.DataSchema},
		{"title", "Data of " + r.kind.Type},
	}
	document = append(document, root...)
	if len(g.defs) > 0 {
		var defs object
		for name := range g.defs {
			defs = append(defs, member{name, g.defs[name]})
		}
		slices.SortFunc(defs, func(a, b member) int { return strings.Compare(a.name, b.name) })
		document = append(document, member{"$defs", defs})
	}
	return document
}

// collectNames notes the JSON names of fields such as AgeHours, which comments of
// other types may speak of.
func (g *generator) collectNames(t reflect.Type, seen map[reflect.Type]bool) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		g.collectNames(t.Elem(), seen)
	case reflect.Struct:
		if seen[t] {
			return
		}
		seen[t] = true
		for k := range t.NumField() {
			f := t.Field(k)
			if name := jsonName(f); name != "" {
				if humped.MatchString(f.Name) {
					g.names[f.Name] = name
				}
				g.collectNames(f.Type, seen)
			}
		}
	}
}

var (
	humped = regexp.MustCompile(`^[A-Z][a-z]+[A-Z]`)
	word   = regexp.MustCompile(`[A-Za-z][A-Za-z0-9]*`)
)

func jsonName(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if name == "-" || !f.IsExported() {
		return ""
	}
	return name
}

// inJSON writes a comment with JSON names in place of the names of Go fields.
func (g *generator) inJSON(text string, t reflect.Type) string {
	return word.ReplaceAllStringFunc(text, func(w string) string {
		if f, ok := t.FieldByName(w); ok && jsonName(f) != "" {
			return jsonName(f)
		}
		if name := g.names[w]; name != "" {
			return name
		}
		return w
	})
}

// structure is the schema of a struct, without its definitions.
func (g *generator) structure(t reflect.Type) object {
	src := g.source(t.PkgPath())
	var properties object
	required := []string{}
	for k := range t.NumField() {
		f := t.Field(k)
		name := jsonName(f)
		if name == "" {
			if f.IsExported() && f.Tag.Get("json") != "-" {
				g.t.Fatalf("%s.%s has no JSON name", t, f.Name)
			}
			continue
		}
		if unpublished[t.String()+"."+f.Name] {
			continue
		}
		optional := strings.Contains(f.Tag.Get("json"), ",omit")
		if !optional {
			required = append(required, name)
		}
		if !strings.Contains(f.Tag.Get("json"), ",") || optional {
			properties = append(properties, member{name, g.field(t, f, name, g.inJSON(src.fields[t.Name()][f.Name], t), optional)})
		} else {
			g.t.Fatalf("%s.%s: %q is not understood", t, f.Name, f.Tag)
		}
	}
	schema := object{}
	if text := src.types[t.Name()]; text != "" {
		schema = append(schema, member{"description", g.inJSON(text, t)})
	}
	return append(schema, member{"type", "object"}, member{"required", required}, member{"properties", properties})
}

// field is the schema of one field with its rules.
func (g *generator) field(owner reflect.Type, f reflect.StructField, name, text string, optional bool) object {
	schema := g.value(f.Type, optional)
	rules := []object{fieldRules[owner.String()+"."+f.Name], nameRules[name]}
	for _, s := range suffixRules {
		if strings.HasSuffix(name, s.end) {
			rules = append(rules, s.rule)
		}
	}
	for _, rule := range rules {
		for _, m := range rule {
			switch {
			case m.name == "description":
				if text == "" {
					text = m.value.(string)
				}
			case schema.get(m.name) != nil:
			case strings.HasSuffix(m.name, "inimum") && (schema.get("minimum") != nil || schema.get("exclusiveMinimum") != nil):
			case strings.HasSuffix(strings.ToLower(m.name), "imum") && !numeric(schema):
				// The name's range is for numbers.
			default:
				schema = append(schema, m)
			}
		}
	}
	if text != "" {
		schema = append(object{{"description", text}}, schema...)
	}
	return schema
}

func numeric(schema object) bool {
	kind := fmt.Sprint(schema.get("type"))
	return strings.Contains(kind, "number") || strings.Contains(kind, "integer")
}

// value is the schema of a type. A pointer that is always written may be null; so
// may lists and maps, which Go writes as null when they were never made.
func (g *generator) value(t reflect.Type, optional bool) object {
	orNull := func(kind string, optional bool) any {
		if optional {
			return kind
		}
		return []string{kind, "null"}
	}
	switch t {
	case reflect.TypeFor[time.Time]():
		return object{{"type", "string"}, {"format", "date-time"}, {"pattern", "Z$"}}
	case reflect.TypeFor[json.RawMessage]():
		return object{}
	}
	switch t.Kind() {
	case reflect.Pointer:
		inner := g.value(t.Elem(), false)
		if optional {
			return inner
		}
		if inner.get("$ref") != nil {
			return object{{"anyOf", []any{inner, object{{"type", "null"}}}}}
		}
		for k := range inner {
			if kind, ok := inner[k].value.(string); ok && inner[k].name == "type" {
				inner[k].value = []string{kind, "null"}
			}
		}
		return inner
	case reflect.Struct:
		if _, done := g.defs[t.Name()]; !done {
			g.defs[t.Name()] = nil // a type within itself ends here
			g.defs[t.Name()] = g.structure(t)
		}
		return object{{"$ref", "#/$defs/" + t.Name()}}
	case reflect.Slice:
		return object{{"type", orNull("array", optional)}, {"items", g.value(t.Elem(), true)}}
	case reflect.Array:
		return object{{"type", "array"}, {"items", g.value(t.Elem(), true)}, {"minItems", t.Len()}, {"maxItems", t.Len()}}
	case reflect.Map:
		if t.Key().Kind() != reflect.String {
			g.t.Fatalf("map with keys of %s", t.Key())
		}
		return object{{"type", orNull("object", optional)}, {"additionalProperties", g.value(t.Elem(), true)}}
	case reflect.Float32, reflect.Float64:
		return object{{"type", "number"}}
	case reflect.Int, reflect.Int32, reflect.Int64, reflect.Uint64:
		return object{{"type", "integer"}}
	case reflect.Bool:
		return object{{"type", "boolean"}}
	case reflect.String:
		if t.PkgPath() == "" {
			return object{{"type", "string"}}
		}
		if _, done := g.defs[t.Name()]; !done {
			g.defs[t.Name()] = g.enumeration(t)
		}
		return object{{"$ref", "#/$defs/" + t.Name()}}
	}
	g.t.Fatalf("no schema for %s", t)
	return nil
}

// enumeration is the schema of a string type with constants.
func (g *generator) enumeration(t reflect.Type) object {
	constants := slices.Clone(g.source(t.PkgPath()).constants[t.Name()])
	for _, r := range reserved[t.String()] {
		if !slices.ContainsFunc(constants, func(c constant) bool { return c.value == r.value }) {
			constants = append(constants, r)
		}
	}
	values, texts := []string{}, []string{g.source(t.PkgPath()).types[t.Name()]}
	for _, c := range constants {
		values = append(values, c.value)
		if c.text != "" {
			texts = append(texts, c.value+": "+c.text)
		}
	}
	if len(values) == 0 {
		g.t.Fatalf("%s has no constants", t)
	}
	if open[t.String()] {
		return object{{"description", strings.Join(texts, "\n- ") + "\n- others may follow"}, {"type", "string"}, {"minLength", 1}}
	}
	return object{{"description", strings.Join(texts, "\n- ")}, {"type", "string"}, {"enum", values}}
}

// generated are the documents that lie in the folder, by file name.
func generated(t testing.TB) map[string][]byte {
	t.Helper()
	all := map[string][]byte{"schema/event.v1.json": bus.EventSchema}
	for _, r := range readers {
		if r.kind.DataSchema == "" {
			continue
		}
		name, ok := schemaFile(r.kind.DataSchema)
		if !ok {
			t.Fatalf("%q is no id of a schema", r.kind.DataSchema)
		}
		all["schema/"+name] = pretty(t, schemaOf(t, r))
	}
	all["asyncapi.json"] = pretty(t, asyncAPI(t))
	return all
}

// The committed documents are those of the Go types. After a change of the types:
// go generate ./seedability/message
func TestCommitted(t *testing.T) {
	all := generated(t)
	for name, want := range all {
		if *update {
			if err := os.WriteFile(name, want, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		got, err := os.ReadFile(name)
		if err != nil {
			t.Errorf("%v: go generate ./seedability/message makes it", err)
		} else if !bytes.Equal(got, want) {
			t.Errorf("%s is not what the Go types say: %s; go generate ./seedability/message makes it anew", name, firstDifference(got, want))
		}
	}
	lying, err := filepath.Glob("schema/*.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range lying {
		if _, ok := all[filepath.ToSlash(name)]; !ok {
			t.Errorf("%s belongs to no kind of message", name)
		}
	}
}

func firstDifference(got, want []byte) string {
	g, w := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for k := range min(len(g), len(w)) {
		if g[k] != w[k] {
			return fmt.Sprintf("line %d is %q, the types say %q", k+1, strings.TrimSpace(g[k]), strings.TrimSpace(w[k]))
		}
	}
	return fmt.Sprintf("%d lines, the types say %d", len(g), len(w))
}

// Rules that name no field are left over from one that was renamed.
func TestRulesNameFields(t *testing.T) {
	fields, names := map[string]bool{}, map[string]bool{}
	var walk func(reflect.Type)
	walk = func(of reflect.Type) {
		switch of.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(of.Elem())
		case reflect.Struct:
			for k := range of.NumField() {
				f := of.Field(k)
				if jsonName(f) == "" || fields[of.String()+"."+f.Name] {
					continue
				}
				fields[of.String()+"."+f.Name], names[jsonName(f)] = true, true
				walk(f.Type)
			}
		}
	}
	for _, r := range readers {
		walk(r.data)
	}
	for name := range unpublished {
		if !fields[name] {
			t.Errorf("%s is in no message", name)
		}
	}
	for name := range fieldRules {
		if !fields[name] {
			t.Errorf("rule for %s, which is in no message", name)
		}
	}
	for name := range nameRules {
		if !names[name] {
			t.Errorf("rule for %q, which is in no message", name)
		}
	}
	for _, s := range suffixRules {
		if !slices.ContainsFunc(slices.Collect(maps.Keys(names)), func(name string) bool { return strings.HasSuffix(name, s.end) }) {
			t.Errorf("rule for names that end in %q, of which there is none", s.end)
		}
	}
}
