package source

import "time"

// Every name that one of the models gives to a quantity that grid.Atmosphere
// takes, on pressure levels. Cloud ice is CIMIXR (0.1.82) in HRRR and ICMR
// (0.1.23) in GFS and RRFS; cloud water is CLMR or CLWMR by the version of the
// table with which the index was written. Relative humidity is only taken where
// specific humidity is not given.
var isobaric = [][]string{
	{"HGT"}, {"TMP"}, {"UGRD"}, {"VGRD"}, {"VVEL"}, {"SPFH", "RH"},
	{"CLMR", "CLWMR"}, {"CIMIXR", "ICMR"}, {"RWMR"}, {"SNMR"}, {"GRLE"},
}

var onIsobars = Quantities{
	Isobaric: isobaric, TopHPa: 250, BottomHPa: 1000,
	Single: [][]string{
		{"HGT:surface"}, {"PRES:surface"}, {"TMP:2 m above ground"}, {"SPFH:2 m above ground", "DPT:2 m above ground"},
		{"UGRD:10 m above ground"}, {"VGRD:10 m above ground"},
	},
	Optional: []string{"UGRD:80 m above ground", "VGRD:80 m above ground", "PRATE:surface"},
}

const noaa = "NOAA, through its Open Data Dissemination programme"

var (
	everyHour  = []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23}
	synoptic   = []int{0, 6, 12, 18}
	betweenSix = []int{1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 13, 14, 15, 16, 17, 19, 20, 21, 22, 23}
)

// sources is every source, in the order in which it is shown. Cadences and
// latencies without another remark are typical values from memory.
var sources = []Source{
	{
		Name: "hrrr", Kind: KindModel, Layout: LayoutRuns, Listing: ListingS3,
		Title:    "High-Resolution Rapid Refresh, 3 km, contiguous United States",
		Gives:    "Wind, temperature, humidity, cloud water and ice on pressure levels every hour, 18 hours ahead, 48 at 00, 06, 12 and 18 UTC.",
		Provider: noaa, Attribution: "NOAA/NCEP High-Resolution Rapid Refresh",
		BaseURL: "https://noaa-hrrr-bdp-pds.s3.amazonaws.com",
		Templates: map[string]string{
			"file":  "hrrr.{yyyy}{mm}{dd}/conus/hrrr.t{hh}z.wrfprsf{ff}.grib2",
			"index": ".idx",
		},
		// The first hours are stored some 50 minutes after the reference time,
		// the 18th at about 85 and the 48th at about 115 minutes (from memory).
		Cadence: time.Hour, Latency: 50 * time.Minute, Pace: time.Minute, Patience: 5 * time.Minute,
		LookBack: 3 * time.Hour, ForecastHours: 18,
		Runs: []Run{
			{Hours: synoptic, Steps: []Step{{48, 1}}},
			{Hours: betweenSix, Steps: []Step{{18, 1}}},
		},
		Quantities: onIsobars,
	},
	{
		Name: "rap", Kind: KindModel, Layout: LayoutRuns, Listing: ListingS3,
		Title:    "Rapid Refresh, 13 km, North America",
		Gives:    "Wind, temperature and humidity on pressure levels every hour, 21 hours ahead, 51 at 03, 09, 15 and 21 UTC; no cloud water.",
		Provider: noaa, Attribution: "NOAA/NCEP Rapid Refresh",
		BaseURL: "https://noaa-rap-pds.s3.amazonaws.com",
		Templates: map[string]string{
			"file":  "rap.{yyyy}{mm}{dd}/rap.t{hh}z.awp130pgrbf{ff}.grib2",
			"index": ".idx",
		},
		Cadence: time.Hour, Latency: 50 * time.Minute, Pace: time.Minute, Patience: 5 * time.Minute,
		LookBack: 3 * time.Hour, ForecastHours: 18,
		Runs: []Run{
			{Hours: []int{3, 9, 15, 21}, Steps: []Step{{51, 1}}},
			{Hours: everyHour, Steps: []Step{{21, 1}}},
		},
		Quantities: onIsobars,
	},
	{
		Name: "gfs", Kind: KindModel, Layout: LayoutRuns, Listing: ListingS3,
		Title:    "Global Forecast System, 0.25 degrees, the whole earth",
		Gives:    "Wind, temperature, humidity, cloud water and ice on pressure levels every six hours, hourly to 120 hours ahead, then every three.",
		Provider: noaa, Attribution: "NOAA/NCEP Global Forecast System",
		BaseURL: "https://noaa-gfs-bdp-pds.s3.amazonaws.com",
		Templates: map[string]string{
			"file":  "gfs.{yyyy}{mm}{dd}/{hh}/atmos/gfs.t{hh}z.pgrb2.0p25.f{fff}",
			"index": ".idx",
		},
		Cadence: 6 * time.Hour, Latency: 3*time.Hour + 30*time.Minute, Pace: 2 * time.Minute, Patience: 10 * time.Minute,
		LookBack: 11 * time.Hour, ForecastHours: 36,
		Runs:       []Run{{Hours: synoptic, Steps: []Step{{120, 1}, {384, 3}}}},
		Quantities: onIsobars,
	},
	{
		Name: "rrfs", Kind: KindModel, Layout: LayoutRuns, Listing: ListingS3,
		Title:    "Rapid Refresh Forecast System, 3 km, contiguous United States",
		Gives:    "Wind, temperature, humidity, cloud water and ice on pressure levels every three hours, 84 hours ahead at 00, 06, 12 and 18 UTC, else 18.",
		Note:     "New in 2026. The layout is that of the bucket in August 2026; on NOAA's own server the files have no index and cannot be fetched in parts.",
		Provider: noaa, Attribution: "NOAA/NCEP Rapid Refresh Forecast System",
		BaseURL: "https://noaa-rrfs-pds.s3.amazonaws.com",
		// Pressure levels and the surface are two files.
		Templates: map[string]string{
			"file":    "rrfs_public/rrfs.{yyyy}{mm}{dd}/{hh}/rrfs.t{hh}z.prslev.3km.f{fff}.conus.grib2",
			"surface": "rrfs_public/rrfs.{yyyy}{mm}{dd}/{hh}/rrfs.t{hh}z.2dfld.3km.f{fff}.conus.grib2",
			"index":   ".idx",
		},
		// Measured by others on a run of 2026-08-12: first file after 73, last
		// of 18 hours after 108 minutes.
		Cadence: 3 * time.Hour, Latency: 70 * time.Minute, Pace: time.Minute, Patience: 10 * time.Minute,
		LookBack: 6 * time.Hour, ForecastHours: 18,
		Runs: []Run{
			{Hours: synoptic, Steps: []Step{{84, 1}}},
			{Hours: []int{3, 9, 15, 21}, Steps: []Step{{18, 1}}},
		},
		Quantities: onIsobars,
	},
	{
		Name: "nexrad", Kind: KindRadar, Layout: LayoutTimes, Listing: ListingS3,
		Title:    "NEXRAD Level II archive, whole volumes",
		Gives:    "Whole volumes of a radar, from some minutes after their end back to 1991.",
		Provider: "NOAA; the bucket is kept by Unidata", Attribution: "NOAA/NWS NEXRAD Level II",
		BaseURL: "https://unidata-nexrad-level2.s3.amazonaws.com",
		// Files whose name goes on behind the version (_MDM) hold no sweeps.
		Templates: map[string]string{
			"file": "{yyyy}/{mm}/{dd}/{station}/{station}{yyyy}{mm}{dd}_{hh}{nn}{ss}_V{vv}",
		},
		Cadence: 5 * time.Minute, Latency: 10 * time.Minute, Pace: 20 * time.Second, Patience: 5 * time.Minute,
		LookBack: 30 * time.Minute,
		Stations: true, StationForm: "the radar's four letters", ProbeStation: "KTLX",
	},
	{
		Name: "nexrad-chunks", Kind: KindRadar, Layout: LayoutChunks, Listing: ListingS3,
		Title:    "NEXRAD Level II in real time, volumes in pieces",
		Gives:    "Volumes of a radar seconds after they end.",
		Provider: "NOAA; the bucket is kept by Unidata", Attribution: "NOAA/NWS NEXRAD Level II",
		BaseURL: "https://unidata-nexrad-level2-chunks.s3.amazonaws.com",
		Templates: map[string]string{
			"file": "{station}/{volume}/{yyyy}{mm}{dd}-{hh}{nn}{ss}-{chunk}-{part}",
		},
		// Volumes last 4.5 to 10 minutes by coverage pattern.
		Cadence: 5 * time.Minute, Latency: 5*time.Minute + 10*time.Second, Pace: 15 * time.Second, Patience: 2 * time.Minute,
		LookBack: 30 * time.Minute,
		Stations: true, StationForm: "the radar's four letters", ProbeStation: "KTLX",
	},
	{
		Name: "mrms", Kind: KindMosaic, Layout: LayoutTimes, Listing: ListingS3,
		Title:    "Multi-Radar/Multi-Sensor mosaics, 1 km, contiguous United States",
		Gives:    "Radar mosaics every two minutes.",
		Provider: noaa, Attribution: "NOAA/NSSL Multi-Radar/Multi-Sensor System",
		BaseURL: "https://noaa-mrms-pds.s3.amazonaws.com",
		Templates: map[string]string{
			"file": "CONUS/{product}/{yyyy}{mm}{dd}/MRMS_{product}_{yyyy}{mm}{dd}-{hh}{nn}{ss}.grib2.gz",
		},
		Cadence: 2 * time.Minute, Latency: 90 * time.Second, Pace: 15 * time.Second, Patience: 2 * time.Minute,
		LookBack: 20 * time.Minute,
		Products: []string{"MergedReflectivityQCComposite_00.50"},
	},
	goes("goes-east", "GOES-East", "19", "the contiguous United States"),
	goes("goes-west", "GOES-West", "18", "the western United States and the eastern Pacific"),
	{
		Name: "igra", Kind: KindSounding, Layout: LayoutFiles, Listing: ListingDirectory,
		Title:    "Integrated Global Radiosonde Archive, this year",
		Gives:    "Checked soundings of a station since the start of the year, one or two days after the ascent.",
		Provider: "NOAA/NCEI", Attribution: "Integrated Global Radiosonde Archive, version 2, NOAA/NCEI",
		BaseURL: "https://www.ncei.noaa.gov/data/integrated-global-radiosonde-archive/access/data-y2d",
		// For some months of a year the file still begins with the year before.
		Templates: map[string]string{"file": "{station}-data-beg{yyyy}.txt.zip"},
		Cadence:   24 * time.Hour, Latency: 36 * time.Hour, Pace: time.Hour, Patience: 6 * time.Hour,
		LookBack: 7 * 24 * time.Hour,
		Stations: true, StationForm: "the archive's eleven characters, such as USM00072681", ProbeStation: "USM00072681",
	},
	{
		Name: "temp-gateway", Kind: KindSounding, Layout: LayoutBulletins, Listing: ListingDirectory,
		Title:    "Radiosonde bulletins of the NWS gateway, TEMP",
		Gives:    "The newest sounding of a station, coded as text, within two hours after the balloon left.",
		Provider: "NOAA/NWS Telecommunication Gateway", Attribution: "NOAA/NWS",
		Note:    "Files are named by heading, office and station and overwritten by the next ascent.",
		BaseURL: "https://tgftp.nws.noaa.gov/data/raw",
		// T1T2 of the heading (WMO-No. 386, attachment II-5, table B1) is also
		// the directory: US part A, UK part B, UM of the United States part B
		// with the significant winds. Without a product name the station is the
		// office. Parts C and D (above 100 hPa) are not needed.
		Templates: map[string]string{
			"mandatory 1":   "us/{ttaaii}.{cccc}.man.{xxx}.txt",
			"mandatory 2":   "us/{ttaaii}.{cccc}..txt",
			"significant 1": "um/{ttaaii}.{cccc}.sgl.{xxx}.txt",
			"significant 2": "uk/{ttaaii}.{cccc}..txt",
		},
		// Part A of Jackson of 2006-09-22 12 UTC is headed 12:23, part B 12:26.
		Cadence: 12 * time.Hour, Latency: 30 * time.Minute, Pace: 5 * time.Minute, Patience: 15 * time.Minute,
		LookBack: 15 * time.Hour,
		Stations: true, StationForm: "four letters, such as KBOI", ProbeStation: "KBOI",
	},
	{
		Name: "bufr-gateway", Kind: KindSounding, Layout: LayoutCollection, Listing: ListingDirectory,
		Title:    "Upper-air reports of the NWS gateway, BUFR",
		Gives:    "Collections of BUFR bulletins of many countries and kinds, soundings among them; or a directory of files named by station and time.",
		Provider: "NOAA/NWS Telecommunication Gateway", Attribution: "NOAA/NWS",
		Note:    "A collection does not say in its name what it holds: all of them are fetched and what is no sounding is left.",
		BaseURL: "https://tgftp.nws.noaa.gov/SL.us008001/DF.bf/DC.intl",
		// "station" is our own layout for mirrors, not one of the gateway.
		Templates: map[string]string{
			"collection": "sn.{nnnn}.bin",
			"station":    "{station}.{yyyy}{mm}{dd}T{hh}{nn}Z.bufr",
		},
		Cadence: 10 * time.Minute, Latency: 10 * time.Minute, Pace: 2 * time.Minute, Patience: 15 * time.Minute,
		LookBack: 6 * time.Hour,
	},
	{
		Name: "usgs-iv", Kind: KindGauge, Layout: LayoutPage,
		Title:    "USGS water data, instantaneous values",
		Gives:    "Stage, discharge and reservoir readings of the last twelve hours, every quarter of an hour as the gauges send them.",
		Note:     "Values are provisional. USGS says that this service will be replaced by that of usgs-latest.",
		Provider: "U.S. Geological Survey", Attribution: "U.S. Geological Survey, National Water Information System",
		BaseURL: "https://waterservices.usgs.gov",
		// 00060 discharge, 00065 stage, 00054 storage, 00062, 62614 and 62615
		// elevation of a reservoir. Address as public code calls it; the codes are
		// those of the USGS list of parameters.
		Templates: map[string]string{
			"page": "nwis/iv/?format=json&sites={stations}&parameterCd=00060,00065,00054,00062,62614,62615&period=PT12H&siteStatus=all",
		},
		Cadence: 15 * time.Minute, Latency: 45 * time.Minute, Pace: 5 * time.Minute, Patience: 10 * time.Minute,
		LookBack: 12 * time.Hour,
		Stations: true, StationForm: "the gauge's number, 8 to 15 digits", StationPattern: "[0-9]{8,15}", ProbeStation: "13206000",
	},
	{
		Name: "usgs-latest", Kind: KindGauge, Layout: LayoutPage,
		Title:    "USGS water data, OGC API, latest continuous values",
		Gives:    "The newest reading of every quantity of a gauge; how fast it rises is known after some hours.",
		Note:     "Without a key USGS answers few requests an hour (from memory), so it is asked every 15 minutes.",
		Provider: "U.S. Geological Survey", Attribution: "U.S. Geological Survey, Water Data for the Nation",
		BaseURL: "https://api.waterdata.usgs.gov",
		// Address and names as USGS's own client builds them; the limit from memory.
		Templates: map[string]string{
			"page": "ogcapi/v0/collections/latest-continuous/items?f=json&limit=1000&monitoring_location_id=USGS-{station}",
		},
		Cadence: 15 * time.Minute, Latency: 45 * time.Minute, Pace: 15 * time.Minute, Patience: 15 * time.Minute,
		LookBack: 12 * time.Hour,
		Pages:    true, Stations: true, StationForm: "the gauge's number, 8 to 15 digits", StationPattern: "[0-9]{8,15}", ProbeStation: "13206000",
	},
	{
		Name: "nwps-gauge", Kind: KindGauge, Layout: LayoutPage,
		Title:    "National Water Prediction Service, state of a gauge",
		Gives:    "Official flood category of a river gauge, observed and forecast, with its thresholds.",
		Provider: "NOAA/NWS National Water Prediction Service", Attribution: "NOAA/NWS",
		BaseURL: "https://api.water.noaa.gov",
		// Address as public code calls it.
		Templates: map[string]string{"page": "nwps/v1/gauges/{station}"},
		Cadence:   15 * time.Minute, Latency: 30 * time.Minute, Pace: 5 * time.Minute, Patience: 10 * time.Minute,
		LookBack: 12 * time.Hour,
		Stations: true, StationForm: "the gauge's five letters and digits, such as ACRT2", StationPattern: "[A-Z0-9]{5}", ProbeStation: "ACRT2",
	},
	{
		Name: "nwps-stageflow", Kind: KindGauge, Layout: LayoutPage,
		Title:    "National Water Prediction Service, stage and flow of a gauge",
		Gives:    "Observed and forecast stage and flow of a river gauge.",
		Note:     "Most forecasts are made once or twice a day, and some only while rivers are high.",
		Provider: "NOAA/NWS National Water Prediction Service", Attribution: "NOAA/NWS",
		BaseURL:   "https://api.water.noaa.gov",
		Templates: map[string]string{"page": "nwps/v1/gauges/{station}/stageflow"},
		Cadence:   15 * time.Minute, Latency: 30 * time.Minute, Pace: 10 * time.Minute, Patience: 10 * time.Minute,
		LookBack: 12 * time.Hour,
		Stations: true, StationForm: "the gauge's five letters and digits, such as ACRT2", StationPattern: "[A-Z0-9]{5}", ProbeStation: "ACRT2",
	},
	{
		Name: "snotel", Kind: KindGauge, Layout: LayoutPage,
		Title:    "NRCS snow telemetry, snow water equivalent by day",
		Gives:    "Snow water equivalent of the last days at a station and its median of the day.",
		Note:     "Days are those of the station's own standard time, which the input must name (time_zone). The address and the name of the median are from memory.",
		Provider: "USDA Natural Resources Conservation Service", Attribution: "USDA/NRCS National Water and Climate Center",
		BaseURL: "https://wcc.sc.egov.usda.gov",
		Templates: map[string]string{
			"page": "awdbRestApi/services/v1/data?stationTriplets={stations}&elements=WTEQ&duration=DAILY&beginDate={since}&endDate={today}&periodRef=END&centralTendencyType=MEDIAN&returnFlags=true",
		},
		Cadence: 24 * time.Hour, Latency: 12 * time.Hour, Pace: time.Hour, Patience: time.Hour,
		LookBack: 5 * 24 * time.Hour,
		Stations: true, StationForm: "number, state and network, such as 538:CO:SNTL", StationPattern: "[0-9A-Z]{1,12}:[A-Z]{2}:[A-Z]{2,8}", ProbeStation: "538:CO:SNTL",
	},
	{
		Name: "gauge-table", Kind: KindGauge, Layout: LayoutPage,
		Title:    "Readings of any agency as a table",
		Gives:    "What a CSV, TSV or fixed text of readings holds, as the input's mapping says.",
		Provider: "as the address says", Attribution: "as the agency asks",
		Cadence: time.Hour, Latency: time.Hour, Pace: 10 * time.Minute, Patience: 10 * time.Minute, LookBack: 24 * time.Hour,
	},
	{
		Name: "gauge-json", Kind: KindGauge, Layout: LayoutPage,
		Title:    "Readings of any agency as JSON",
		Gives:    "What a JSON of readings holds, as the input's mapping says.",
		Provider: "as the address says", Attribution: "as the agency asks",
		Cadence: time.Hour, Latency: time.Hour, Pace: 10 * time.Minute, Patience: 10 * time.Minute, LookBack: 24 * time.Hour,
	},
	{
		Name: "nws-alerts", Kind: KindWarnings, Layout: LayoutPage,
		Title:    "Warnings of the National Weather Service",
		Gives:    "All watches, warnings and advisories in force in zones, counties or states.",
		Note:     "Name every public zone (IDZ013), fire zone and county (IDC037) that the sites, their plumes and targets touch, or whole states as areas: a warning of a zone that is not asked for is not seen.",
		Provider: "NOAA/NWS", Attribution: "NOAA/NWS",
		BaseURL: "https://api.weather.gov",
		// Addresses as the service's documentation and public code have them. It
		// asks for a User-Agent, which package feed sends.
		Templates: map[string]string{"page": "alerts/active?zone={zones}", "areas": "alerts/active?area={areas}"},
		Cadence:   time.Minute, Latency: time.Minute, Pace: time.Minute, Patience: 2 * time.Minute, LookBack: 20 * time.Minute,
		Pages: true, Zones: true, ProbeStation: "ID", ZoneForm: "zones such as IDZ013 and counties such as IDC037, or whole states as areas such as ID",
	},
	{
		Name: "cap-feed", Kind: KindWarnings, Layout: LayoutPage,
		Title:    "Warnings of any issuer in the Common Alerting Protocol",
		Gives:    "The messages of a CAP 1.2 or 1.1 file (OASIS), one or several in an envelope.",
		Note:     "An index that only links to messages (Atom, RSS) cannot be read.",
		Provider: "as the address says", Attribution: "as the issuer asks", Pages: true,
		Cadence: time.Minute, Latency: time.Minute, Pace: time.Minute, Patience: 2 * time.Minute, LookBack: 20 * time.Minute,
	},
	{
		Name: "avalanche-us", Kind: KindAvalanche, Layout: LayoutPage,
		Title:    "Avalanche danger of a centre in the United States",
		Gives:    "Danger of the day in each zone of an avalanche centre.",
		Note:     "The layout is from memory: look at an answer before you rely on it; the input's mapping can say otherwise.",
		Provider: "National Avalanche Center and the avalanche centres", Attribution: "the avalanche centre and avalanche.org",
		BaseURL: "https://api.avalanche.org",
		// Address as public code of an avalanche centre calls it.
		Templates: map[string]string{"page": "v2/public/products/map-layer/{station}"},
		Cadence:   24 * time.Hour, Latency: time.Hour, Pace: 30 * time.Minute, Patience: 30 * time.Minute, LookBack: 48 * time.Hour,
		Stations: true, StationForm: "the centre's letters, such as SNFAC", StationPattern: "[A-Z]{2,8}", ProbeStation: "SNFAC",
	},
	{
		Name: "avalanche-json", Kind: KindAvalanche, Layout: LayoutPage,
		Title:    "Avalanche danger of any service as JSON",
		Gives:    "What a JSON or GeoJSON of danger by zone holds, as the input's mapping says.",
		Provider: "as the address says", Attribution: "as the service asks",
		Cadence: 24 * time.Hour, Latency: time.Hour, Pace: 30 * time.Minute, Patience: 30 * time.Minute, LookBack: 48 * time.Hour,
	},
	{
		Name: "telemetry-json", Kind: KindTelemetry, Layout: LayoutPage,
		Title:    "Telemetry of the programme's own sites as JSON",
		Gives:    "Battery, link, units left and faults of each site, as the input's mapping says.",
		Provider: "as the address says", Attribution: "the programme",
		Cadence: 5 * time.Minute, Latency: 5 * time.Minute, Pace: time.Minute, Patience: 2 * time.Minute, LookBack: time.Hour,
	},
}

// goes is one of the two satellites, which differ by number and view.
func goes(name, title, number, view string) Source {
	return Source{
		Name: name, Kind: KindSatellite, Layout: LayoutTimes, Listing: ListingS3,
		Title:    title + ", cloud tops of the ABI",
		Gives:    "Phase and height of cloud tops every five minutes over " + view + "; their temperature every ten over the whole disk.",
		Note:     "Temperature is not made for the small sector: a file of it is the whole disk, about 29 MB.",
		Provider: noaa, Attribution: "NOAA/NESDIS GOES-R series ABI L2+",
		BaseURL: "https://noaa-goes" + number + ".s3.amazonaws.com",
		// M is the scan mode; s, e and c are start, end and creation to a tenth
		// of a second (GOES-R Product Definition and Users' Guide, vol. 5).
		Templates: map[string]string{
			"file": "{product}/{yyyy}/{doy}/{hh}/OR_{product}-M{t}_G" + number + "_s{yyyy}{doy}{hh}{nn}{ss}{*}_e{*}_c{*}.nc",
		},
		Cadence: 5 * time.Minute, Latency: 6 * time.Minute, Pace: 30 * time.Second, Patience: 5 * time.Minute,
		LookBack: 30 * time.Minute,
		// ACTP is phase, ACHA height (ACHAC is on 10 km, ACHA2KMC on 2 km),
		// ACHT temperature (of the full disk and mesoscale sectors only).
		Products: []string{"ABI-L2-ACTPC", "ABI-L2-ACHA2KMC", "ABI-L2-ACHTF"},
	}
}
