package configs

import (
	"net"
	"strconv"

	"hushback/configs/document"
	"hushback/configs/quantity"
	"hushback/engine"
)

// readSite reads everything but the array, which is either written out (see
// array.go) or worked out from layouts (see layouts.go).
func readSite(v document.Value) *siteFile {
	f := v.Section("job", "air", "ground", "walls", "target", "limits", "aim", "tolerance", "test_signal", "series", "processor", "further_processors",
		"layout", "layouts", "outputs", "groups", "cabinets", "sources", "microphones", "zones")
	s := &siteFile{common: engine.Site{
		Job:         f["job"].Text(),
		Air:         readAir(f["air"]),
		Ground:      readGround(f["ground"]),
		Walls:       document.Some(f["walls"], "a list of walls", readWall),
		Target:      readTarget(f["target"]),
		Limits:      readLimits(f["limits"], f["tolerance"].Given()),
		Aim:         readAim(f["aim"]),
		Tolerance:   readTolerance(f["tolerance"]),
		TestSignal:  readTestSignal(f["test_signal"]),
		Series:      readSeries(f["series"]),
		Wiring:      readWiring(f["processor"]),
		Further:     document.Some(f["further_processors"], "a list of processors", readFurther),
		Cabinets:    document.Some(f["cabinets"], "a list of cabinets", readCabinet),
		Microphones: document.Each(f["microphones"], "a list of microphones", readMicrophone),
		Zones:       document.Each(f["zones"], "a list of zones", readZone),
	}}
	s.readArray(f)
	return s
}

func readAir(v document.Value) engine.Air {
	f := v.Section("temperature", "humidity", "pressure")
	return engine.Air{
		TemperatureC: f["temperature"].Number(quantity.Temperature()),
		Humidity:     f["humidity"].Number(quantity.Share()),
		PressurePa:   f["pressure"].Number(quantity.Pressure()),
	}
}

// readGround is 0, no ground at all, where the file says nothing about it.
func readGround(v document.Value) float64 {
	if v.Absent {
		return 0
	}
	return v.Section("reflection")["reflection"].Number(quantity.Share())
}

func readWall(v document.Value) engine.Wall {
	f := v.Section("name", "from", "to")
	return engine.Wall{Name: f["name"].Text(), From: readCorner(f["from"]), To: readCorner(f["to"])}
}

func readTarget(v document.Value) engine.Target {
	f := v.Section("null", "range", "opening", "side_lobes")
	return engine.Target{
		NullHz:     f["null"].Number(quantity.Frequency()),
		Range:      readBand(f["range"]),
		OpeningRad: f["opening"].NumberOr(0, quantity.Angle()),
		SideLobeDB: f["side_lobes"].NumberOr(0, quantity.Level()),
	}
}

func readBand(v document.Value) engine.Band {
	ends := v.List(2, "two frequencies such as [32 Hz, 68 Hz]")
	return engine.Band{LowHz: ends[0].Number(quantity.Frequency()), HighHz: ends[1].Number(quantity.Frequency())}
}

// readLimits leaves at 0 what is left out of a file with tolerances: those are
// worked out. Tolerances that nobody wrote down are not enough for a verdict.
func readLimits(v document.Value, tolerances bool) engine.Limits {
	if v.Absent {
		if !tolerances {
			v.Reject("a section with null_depth, null_offset, sum_shortfall, or a section tolerance to work them out from")
		}
		return engine.Limits{}
	}
	f := v.Section("null_depth", "null_offset", "sum_shortfall")
	limit := func(key string, q quantity.Kind) float64 {
		switch {
		case !f[key].Absent:
			return f[key].Positive(q)
		case !tolerances:
			f[key].Reject(q.Want + ", or a section tolerance to work it out from")
		}
		return 0
	}
	return engine.Limits{
		NullDepthDB:    limit("null_depth", quantity.Level()),
		NullOffsetHz:   limit("null_offset", quantity.Frequency()),
		SumShortfallDB: limit("sum_shortfall", quantity.Level()),
	}
}

func readAim(v document.Value) *engine.Aim {
	if v.Absent {
		return nil
	}
	f := v.Section("headroom", "measure", "evenness", "hold_null", "robust")
	aim := &engine.Aim{
		HeadroomDB: f["headroom"].Number(quantity.Level()),
		EvennessDB: f["evenness"].NumberOr(0, quantity.Level()),
	}
	optional(f["hold_null"], &aim.HoldNull, document.Value.Truth)
	optional(f["robust"], &aim.Robust, document.Value.Truth)
	if f["measure"].Given() {
		aim.Worst = document.Choice(f["measure"], "mean", "worst") == "worst"
	}
	return aim
}

// readTolerance fills in what the file leaves open: how well a careful crew
// with a tape measure places things, how alike cabinets of one kind are, and
// what the air does between the afternoon and the show. Common practice, no
// published source.
func readTolerance(v document.Value) engine.Tolerance {
	usual := engine.Tolerance{PositionM: 0.03, MicrophoneM: 0.05, LevelDB: 0.5, TemperatureC: 3}
	if v.Absent {
		return usual
	}
	f := v.Section("position", "microphone", "level", "temperature")
	return engine.Tolerance{
		PositionM:    f["position"].NumberOr(usual.PositionM, quantity.Length()),
		MicrophoneM:  f["microphone"].NumberOr(usual.MicrophoneM, quantity.Length()),
		LevelDB:      f["level"].NumberOr(usual.LevelDB, quantity.Level()),
		TemperatureC: f["temperature"].NumberOr(usual.TemperatureC, quantity.TemperatureDifference()),
	}
}

func readTestSignal(v document.Value) engine.TestSignal {
	f := v.Section("kind", "period", "band")
	t := engine.TestSignal{PeriodSec: f["period"].Number(quantity.Period()), Band: readBand(f["band"])}
	optional(f["kind"], &t.Kind, func(v document.Value) engine.SignalKind {
		return document.Choice(v, engine.SignalMultisine, engine.SignalSweep, engine.SignalNoise)
	})
	return t
}

func readSeries(v document.Value) engine.Series {
	if v.Absent {
		return ""
	}
	return document.Choice(v, engine.SeriesOutputs, engine.SeriesRows, engine.SeriesBoth)
}

func readWiring(v document.Value) engine.Wiring {
	f := v.Section("profile", "address")
	return engine.Wiring{Profile: f["profile"].Text(), Address: readAddress(f["address"])}
}

func readFurther(v document.Value) engine.Wiring {
	f := v.Section("name", "profile", "address")
	return engine.Wiring{Name: f["name"].Text(), Profile: f["profile"].Text(), Address: readAddress(f["address"])}
}

// readAddress checks the form only; whether anything answers there is found
// out when it is asked.
func readAddress(v document.Value) string {
	const want = "host:port such as 192.0.2.10:8700"
	text, ok := v.Scalar(want, "!!str")
	if !ok {
		return ""
	}
	host, port, err := net.SplitHostPort(text)
	if n, bad := strconv.ParseUint(port, 10, 16); err != nil || host == "" || bad != nil || n == 0 {
		v.Reject(want)
		return ""
	}
	return text
}

func readPoint(v document.Value) engine.Point {
	c := v.List(3, "three lengths [x, y, z] such as [2.1 m, 0 m, 30 cm]")
	return engine.Point{X: c[0].Number(quantity.Length()), Y: c[1].Number(quantity.Length()), Z: c[2].Number(quantity.Length())}
}

func readMicrophone(v document.Value) engine.Microphone {
	f := v.Section("name", "role", "at")
	return engine.Microphone{
		Name: f["name"].Text(),
		Role: document.Choice(f["role"], engine.RoleFront, engine.RoleRear),
		At:   readPoint(f["at"]),
	}
}

// readCorner is a place seen from above.
func readCorner(v document.Value) engine.Point {
	c := v.List(2, "two lengths [x, y] such as [6 m, -12 m]")
	return engine.Point{X: c[0].Number(quantity.Length()), Y: c[1].Number(quantity.Length())}
}

func readZone(v document.Value) engine.Zone {
	f := v.Section("name", "kind", "height", "corners", "weight")
	zone := engine.Zone{
		Name:    f["name"].Text(),
		Kind:    document.Choice(f["kind"], engine.ZoneAudience, engine.ZoneQuiet),
		Corners: document.Each(f["corners"], "a list of corners", readCorner),
		Weight:  f["weight"].NumberOr(0, quantity.Share()),
	}
	if zone.Kind == engine.ZoneAudience && f["weight"].Given() {
		f["weight"].Reject("no weight with the kind audience; it goes with quiet zones")
	}
	height := f["height"].Number(quantity.Length())
	for i := range zone.Corners {
		zone.Corners[i].Z = height
	}
	return zone
}
