package configs

import (
	"net"
	"strconv"

	"hushback/configs/quantity"
	"hushback/engine"
)

// readSite reads everything but the array, which is either written out (see
// array.go) or worked out from layouts (see layouts.go).
func readSite(v value) *siteFile {
	f := v.section("job", "air", "ground", "walls", "target", "limits", "aim", "tolerance", "test_signal", "series", "processor", "further_processors",
		"layout", "layouts", "outputs", "groups", "cabinets", "sources", "microphones", "zones")
	s := &siteFile{common: engine.Site{
		Job:         f["job"].text(),
		Air:         readAir(f["air"]),
		Ground:      readGround(f["ground"]),
		Walls:       some(f["walls"], "a list of walls", readWall),
		Target:      readTarget(f["target"]),
		Limits:      readLimits(f["limits"]),
		Aim:         readAim(f["aim"]),
		Tolerance:   readTolerance(f["tolerance"]),
		TestSignal:  readTestSignal(f["test_signal"]),
		Series:      readSeries(f["series"]),
		Wiring:      readWiring(f["processor"]),
		Further:     some(f["further_processors"], "a list of processors", readFurther),
		Cabinets:    some(f["cabinets"], "a list of cabinets", readCabinet),
		Microphones: each(f["microphones"], "a list of microphones", readMicrophone),
		Zones:       each(f["zones"], "a list of zones", readZone),
	}}
	s.readArray(f)
	return s
}

func readAir(v value) engine.Air {
	f := v.section("temperature", "humidity", "pressure")
	return engine.Air{
		TemperatureC: f["temperature"].number(quantity.Temperature()),
		Humidity:     f["humidity"].number(quantity.Share()),
		PressurePa:   f["pressure"].number(quantity.Pressure()),
	}
}

// readGround is 0, no ground at all, where the file says nothing about it.
func readGround(v value) float64 {
	if v.absent {
		return 0
	}
	return v.section("reflection")["reflection"].number(quantity.Share())
}

func readWall(v value) engine.Wall {
	f := v.section("name", "from", "to")
	return engine.Wall{Name: f["name"].text(), From: readCorner(f["from"]), To: readCorner(f["to"])}
}

func readTarget(v value) engine.Target {
	f := v.section("null", "range", "opening", "side_lobes")
	return engine.Target{
		NullHz:     f["null"].number(quantity.Frequency()),
		Range:      readBand(f["range"]),
		OpeningRad: f["opening"].numberOr(0, quantity.Angle()),
		SideLobeDB: f["side_lobes"].numberOr(0, quantity.Level()),
	}
}

func readBand(v value) engine.Band {
	ends := v.list(2, "two frequencies such as [32 Hz, 68 Hz]")
	return engine.Band{LowHz: ends[0].number(quantity.Frequency()), HighHz: ends[1].number(quantity.Frequency())}
}

func readLimits(v value) engine.Limits {
	f := v.section("null_depth", "null_offset", "sum_shortfall")
	return engine.Limits{
		NullDepthDB:    f["null_depth"].number(quantity.Level()),
		NullOffsetHz:   f["null_offset"].number(quantity.Frequency()),
		SumShortfallDB: f["sum_shortfall"].number(quantity.Level()),
	}
}

func readAim(v value) *engine.Aim {
	if v.absent {
		return nil
	}
	f := v.section("headroom", "measure", "evenness", "hold_null", "robust")
	aim := &engine.Aim{
		HeadroomDB: f["headroom"].number(quantity.Level()),
		EvennessDB: f["evenness"].numberOr(0, quantity.Level()),
		HoldNull:   f["hold_null"].given() && f["hold_null"].truth(),
		Robust:     f["robust"].given() && f["robust"].truth(),
	}
	if f["measure"].given() {
		aim.Worst = choice(f["measure"], "mean", "worst") == "worst"
	}
	return aim
}

// readTolerance fills in what the file leaves open: how well a careful crew
// with a tape measure places things, how alike cabinets of one kind are, and
// what the air does between the afternoon and the show. Common practice, no
// published source.
func readTolerance(v value) engine.Tolerance {
	usual := engine.Tolerance{PositionM: 0.03, MicrophoneM: 0.05, LevelDB: 0.5, TemperatureC: 3}
	if v.absent {
		return usual
	}
	f := v.section("position", "microphone", "level", "temperature")
	return engine.Tolerance{
		PositionM:    f["position"].numberOr(usual.PositionM, quantity.Length()),
		MicrophoneM:  f["microphone"].numberOr(usual.MicrophoneM, quantity.Length()),
		LevelDB:      f["level"].numberOr(usual.LevelDB, quantity.Level()),
		TemperatureC: f["temperature"].numberOr(usual.TemperatureC, quantity.TemperatureDifference()),
	}
}

func readTestSignal(v value) engine.TestSignal {
	f := v.section("period", "band")
	return engine.TestSignal{PeriodSec: f["period"].number(quantity.Period()), Band: readBand(f["band"])}
}

func readSeries(v value) engine.Series {
	if v.absent {
		return ""
	}
	return choice(v, engine.SeriesOutputs, engine.SeriesRows, engine.SeriesBoth)
}

func readWiring(v value) engine.Wiring {
	f := v.section("profile", "address")
	return engine.Wiring{Profile: f["profile"].text(), Address: readAddress(f["address"])}
}

func readFurther(v value) engine.Wiring {
	f := v.section("name", "profile", "address")
	return engine.Wiring{Name: f["name"].text(), Profile: f["profile"].text(), Address: readAddress(f["address"])}
}

// readAddress checks the form only; whether anything answers there is found
// out when it is asked.
func readAddress(v value) string {
	const want = "host:port such as 192.0.2.10:8700"
	text, ok := v.scalar(want, "!!str")
	if !ok {
		return ""
	}
	host, port, err := net.SplitHostPort(text)
	if n, bad := strconv.ParseUint(port, 10, 16); err != nil || host == "" || bad != nil || n == 0 {
		v.reject(want)
		return ""
	}
	return text
}

func readPoint(v value) engine.Point {
	c := v.list(3, "three lengths [x, y, z] such as [2.1 m, 0 m, 30 cm]")
	return engine.Point{X: c[0].number(quantity.Length()), Y: c[1].number(quantity.Length()), Z: c[2].number(quantity.Length())}
}

func readMicrophone(v value) engine.Microphone {
	f := v.section("name", "role", "at")
	return engine.Microphone{
		Name: f["name"].text(),
		Role: choice(f["role"], engine.RoleFront, engine.RoleRear),
		At:   readPoint(f["at"]),
	}
}

// readCorner is a place seen from above.
func readCorner(v value) engine.Point {
	c := v.list(2, "two lengths [x, y] such as [6 m, -12 m]")
	return engine.Point{X: c[0].number(quantity.Length()), Y: c[1].number(quantity.Length())}
}

func readZone(v value) engine.Zone {
	f := v.section("name", "kind", "height", "corners", "weight")
	zone := engine.Zone{
		Name:    f["name"].text(),
		Kind:    choice(f["kind"], engine.ZoneAudience, engine.ZoneQuiet),
		Corners: each(f["corners"], "a list of corners", readCorner),
		Weight:  f["weight"].numberOr(0, quantity.Share()),
	}
	if zone.Kind == engine.ZoneAudience && f["weight"].given() {
		f["weight"].reject("no weight with the kind audience; it goes with quiet zones")
	}
	height := f["height"].number(quantity.Length())
	for i := range zone.Corners {
		zone.Corners[i].Z = height
	}
	return zone
}
