package source

import (
	"fmt"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"rimeline/grid"
)

// Need is what somebody wants of a source.
type Need struct {
	Source string `json:"source"`
	// BaseURL of a mirror, empty for the source's own.
	BaseURL string `json:"base_url,omitempty"`
	// Listing of a mirror, ListingS3 or ListingDirectory, empty for the
	// source's own.
	Listing string `json:"listing,omitempty"`
	// Templates of a mirror that is laid out differently; each replaces the
	// source's of that name.
	Templates map[string]string `json:"templates,omitempty"`
	Stations  []string          `json:"stations,omitempty"`
	// Zones and Areas of warnings: one of the two.
	Zones []string `json:"zones,omitempty"`
	Areas []string `json:"areas,omitempty"`
	// URL of a page, for sources without an address of their own. It may hold
	// {station}, {stations}, {zones}, {areas}, {today} and {since}. With BaseURL,
	// that of a mirror, path and query of URL are asked there:
	// "https://water.example/x.csv?a=b" at "http://127.0.0.1:8000/mirror" is
	// "http://127.0.0.1:8000/mirror/x.csv?a=b".
	URL string `json:"url,omitempty"`
	// Files are paths and patterns of local files that are looked at instead of a
	// URL; the Fetcher must be a FileReader.
	Files []string `json:"files,omitempty"`
	// Label stands in the object ids of a page, so that two needs of one source
	// are not mixed up; empty: its station or zone.
	Label string `json:"label,omitempty"`
	// Every is how often a page is asked for, 0 for the source's usual pace.
	Every time.Duration `json:"every,omitempty"`
	// Products, empty for the source's usual ones.
	Products []string `json:"products,omitempty"`
	// Places are sites and targets, around which decoders may crop.
	Places []grid.LatLon `json:"places,omitempty"`
	// ForecastHours ahead of a run, 0 for the source's usual ones.
	ForecastHours int `json:"forecast_hours,omitempty"`
	// LookBack of the first look, 0 for the source's usual one.
	LookBack time.Duration `json:"look_back,omitempty"`
}

const (
	maxStations = 50
	maxProducts = 50
	maxLookBack = 60 * 24 * time.Hour
)

// Check says what is wrong, in the words of the programme file.
func (n Need) Check() error {
	s, ok := Find(n.Source)
	if !ok {
		return fmt.Errorf("there is no source %q; there are %s", n.Source, strings.Join(Names(), ", "))
	}
	bad := func(format string, a ...any) error {
		return fmt.Errorf("source %s: "+format, append([]any{n.Source}, a...)...)
	}
	if n.BaseURL != "" {
		u, err := url.Parse(n.BaseURL)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
			return bad("base URL %q is not that of an http or https server", n.BaseURL)
		}
		if u.User != nil {
			return bad("the base URL must not hold a password")
		}
		if u.RawQuery != "" || u.Fragment != "" {
			return bad("base URL %q has a query or fragment", n.BaseURL)
		}
	}
	switch n.Listing {
	case "", ListingS3, ListingDirectory:
	default:
		return bad("listing %q is neither %q nor %q", n.Listing, ListingS3, ListingDirectory)
	}
	if (s.Layout == LayoutChunks) && n.Listing == ListingDirectory {
		return bad("volumes in pieces need a store that lists as S3 does")
	}
	for _, name := range slices.Sorted(maps.Keys(n.Templates)) {
		if _, ok := s.Templates[name]; !ok {
			return bad("it has no template %q; it has %s", name, strings.Join(slices.Sorted(maps.Keys(s.Templates)), ", "))
		}
		if _, err := tokens(n.Templates[name]); err != nil {
			return bad("%w", err)
		}
	}
	if s.Stations && len(n.Stations) == 0 && len(n.Files) == 0 {
		return bad("name at least one station (%s)", s.StationForm)
	}
	if !s.Stations && len(n.Stations) > 0 && s.Layout != LayoutCollection && s.Layout != LayoutPage {
		return bad("it is not divided by stations, yet stations are given")
	}
	if len(n.Stations) > maxStations || len(n.Products) > maxProducts {
		return bad("more than %d stations or %d products", maxStations, maxProducts)
	}
	for k, station := range n.Stations {
		if !isStation(s, station) {
			if s.StationForm == "" {
				return bad("station %q: letters and digits only", station)
			}
			return bad("station %q: %s", station, s.StationForm)
		}
		if slices.ContainsFunc(n.Stations[:k], func(other string) bool { return strings.EqualFold(other, station) }) {
			return bad("station %s is named twice", station)
		}
	}
	if len(n.Products) > 0 && len(s.Products) == 0 {
		return bad("it has no products to choose from, yet products are given")
	}
	for k, product := range n.Products {
		if product == "" || len(product) > 100 || strings.Trim(product, productBytes) != "" || product == "." || product == ".." {
			return bad("product %q: letters, digits and ._+- only", product)
		}
		if slices.Contains(n.Products[:k], product) {
			return bad("product %s is named twice", product)
		}
	}
	switch {
	case n.ForecastHours != 0 && len(s.Runs) == 0:
		return bad("it is no model, yet forecast hours are given")
	case n.ForecastHours < 0:
		return bad("forecast hours %d are less than 0", n.ForecastHours)
	case n.ForecastHours > s.longestHours():
		return bad("forecast hours %d: its longest runs go %d hours ahead", n.ForecastHours, s.longestHours())
	}
	if err := n.checkPage(s, bad); err != nil {
		return err
	}
	if n.LookBack < 0 || n.LookBack > maxLookBack {
		return bad("a look back of %v is not between 0 and %v", n.LookBack, maxLookBack)
	}
	return nil
}

const productBytes = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._+-"

// isStation tells whether a station's name has the form that the source uses.
func isStation(s Source, station string) bool {
	if s.Layout == LayoutPage {
		pattern := s.StationPattern
		if pattern == "" {
			pattern = "[A-Za-z0-9._:-]{1,40}"
		}
		whole, err := regexp.MatchString("^(?:"+pattern+")$", station)
		return whole && err == nil
	}
	if station == "" || len(station) > 20 || strings.Trim(station, productBytes[:62]) != "" {
		return false
	}
	switch s.Layout {
	case LayoutFiles:
		return len(station) == 11
	case LayoutCollection:
		return true
	}
	return len(station) == 4
}

// resolved is the source with everything that the need puts in its place.
func (n Need) resolved() (Source, error) {
	if err := n.Check(); err != nil {
		return Source{}, err
	}
	s, _ := Find(n.Source)
	if n.BaseURL != "" {
		s.BaseURL = n.BaseURL
	}
	if n.Listing != "" {
		s.Listing = n.Listing
	}
	maps.Copy(s.Templates, n.Templates)
	if len(n.Products) > 0 {
		s.Products = slices.Clone(n.Products)
	}
	if n.ForecastHours > 0 {
		s.ForecastHours = n.ForecastHours
	}
	if n.LookBack > 0 {
		s.LookBack = n.LookBack
	}
	if n.Every > 0 {
		s.Pace, s.Patience = n.Every, max(s.Patience, n.Every)
	}
	return s, nil
}
