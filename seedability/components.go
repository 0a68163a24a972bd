package seedability

// Component names, as they stand in messages, programme files and on screens.
const (
	ComponentLiquid           = "liquid"
	ComponentTemperature      = "temperature"
	ComponentCloudTop         = "cloud-top"
	ComponentDelivery         = "delivery"
	ComponentCrossBarrierWind = "cross-barrier-wind"
	ComponentCloudDepth       = "cloud-depth"
	ComponentBand             = "band"
	ComponentNaturalIce       = "natural-ice"
)

// Criterion is one row of the score: which quantity, how it is judged, how much
// it counts, and where the judgement comes from.
type Criterion struct {
	Name       string     `json:"name"`
	Quantity   string     `json:"quantity"` // what is measured, in words
	Unit       string     `json:"unit"`
	Membership Membership `json:"membership"`
	Weight     float64    `json:"weight"`
	// Factor: the membership multiplies the mean of the others (to the power of
	// Weight) instead of taking part in it: it can only take away.
	Factor bool `json:"factor"`
	// Mandatory: without this quantity there is no score and the site is blind.
	Mandatory bool   `json:"mandatory"`
	Source    string `json:"source"`
}

// DefaultCriteria lists the components in the order in which they are shown.
// Weights are relative: those of the rows that are known are brought to a sum of
// one. Adding an indicator is one row here and its quantity in (*assessor).quantities.
// Every row can be overridden in a programme file.
func DefaultCriteria() []Criterion {
	return []Criterion{
		{
			Name: ComponentLiquid, Quantity: "supercooled liquid water path between -6 and -18 °C", Unit: "mm",
			Membership: Membership{{.02, 0}, {.05, .5}, {.10, .8}, {.20, 1}}, Weight: .30, Mandatory: true,
			Source: "Boe and Super, J. Wea. Mod.: hourly median 0.08 mm in winter storms over Grand Mesa; knots are common practice, no source",
		},
		{
			Name: ComponentTemperature, Quantity: "air temperature where the plume first meets cloud", Unit: "°C",
			Membership: Membership{{-25, 0}, {-20, .6}, {-15, 1}, {-10, 1}, {-8, .8}, {-6, .3}, {-5, 0}}, Weight: .20, Mandatory: true,
			Source: "Dennis 1980 (onset at -5 °C); Griffith et al. 1991 (yield against temperature); knots are common practice, no source",
		},
		{
			Name: ComponentCloudTop, Quantity: "cloud-top temperature", Unit: "°C",
			Membership: Membership{{-35, 0}, {-30, .2}, {-25, .5}, {-22, .9}, {-20, 1}, {-10, 1}, {-8, .8}, {-6, .2}, {-5, 0}}, Weight: .15,
			Source: "Hill 1980 (tops of -22 °C or warmer); Bureau of Reclamation High Plains design (tops of -5 to -15 °C)",
		},
		{
			Name: ComponentDelivery, Quantity: "Froude number towards the barrier, moist stability in cloud", Unit: "1",
			Membership: Membership{{.2, 0}, {.56, .5}, {1, .9}, {2, 1}}, Weight: .15,
			Source: "best separating threshold 0.56 for flow over the Wind River Range (thesis on Froude number and blocking, c. 2020); other knots are common practice, no source",
		},
		{
			Name: ComponentCrossBarrierWind, Quantity: "wind across the barrier", Unit: "m/s",
			Membership: Membership{{2, 0}, {5, .4}, {8, 1}, {20, 1}, {25, .7}, {35, 0}}, Weight: .10,
			Source: "Hill 1980 (8 m/s or more); upper limit is common practice, no source",
		},
		{
			Name: ComponentCloudDepth, Quantity: "depth of cloud colder than 0 °C", Unit: "m",
			Membership: Membership{{300, 0}, {1000, .7}, {1300, 1}}, Weight: .10,
			Source: "Bureau of Reclamation High Plains design (moist layer over 1 km; Fletcher 1300 m)",
		},
		{
			Name: ComponentBand, Quantity: "probability that a band or cell is over the activation zone when agent gets there", Unit: "1",
			Membership: Membership{{0, .6}, {.5, .85}, {1, 1}}, Weight: .10,
			Source: "common practice, no source: agent that meets a band finds more liquid, but liquid is there without bands too",
		},
		{
			Name: ComponentNaturalIce, Quantity: "highest reflectivity between 0 and -20 °C", Unit: "dBZ",
			Membership: Membership{{20, 1}, {30, .6}, {40, .2}}, Weight: 1, Factor: true,
			Source: "common practice, no source: below 20 dBZ natural ice is weak, above 30 to 35 natural precipitation is efficient",
		},
	}
}
