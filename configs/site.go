package configs

import (
	"net"
	"strconv"

	"hushback/engine"
)

func readSite(v value) engine.Site {
	f := v.section("job", "air", "target", "limits", "test_signal", "processor",
		"outputs", "sources", "microphones", "zones")
	return engine.Site{
		Job:         f["job"].text(),
		Air:         readAir(f["air"]),
		Target:      readTarget(f["target"]),
		Limits:      readLimits(f["limits"]),
		TestSignal:  readTestSignal(f["test_signal"]),
		Wiring:      readWiring(f["processor"]),
		Outputs:     each(f["outputs"], "a list of outputs", readOutput),
		Sources:     each(f["sources"], "a list of sources", readSource),
		Microphones: each(f["microphones"], "a list of microphones", readMicrophone),
		Zones:       each(f["zones"], "a list of zones", readZone),
	}
}

func readAir(v value) engine.Air {
	f := v.section("temperature", "humidity", "pressure")
	return engine.Air{
		TemperatureC: f["temperature"].number(temperature()),
		Humidity:     f["humidity"].number(share()),
		PressurePa:   f["pressure"].number(pressure()),
	}
}

func readTarget(v value) engine.Target {
	f := v.section("null", "range")
	return engine.Target{NullHz: f["null"].number(frequency()), Range: readBand(f["range"])}
}

func readBand(v value) engine.Band {
	ends := v.list(2, "two frequencies such as [32 Hz, 68 Hz]")
	return engine.Band{LowHz: ends[0].number(frequency()), HighHz: ends[1].number(frequency())}
}

func readLimits(v value) engine.Limits {
	f := v.section("null_depth", "null_offset", "sum_shortfall")
	return engine.Limits{
		NullDepthDB:    f["null_depth"].number(level()),
		NullOffsetHz:   f["null_offset"].number(frequency()),
		SumShortfallDB: f["sum_shortfall"].number(level()),
	}
}

func readTestSignal(v value) engine.TestSignal {
	f := v.section("period", "band")
	return engine.TestSignal{PeriodSec: f["period"].number(period()), Band: readBand(f["band"])}
}

func readWiring(v value) engine.Wiring {
	f := v.section("profile", "address")
	return engine.Wiring{Profile: f["profile"].text(), Address: readAddress(f["address"])}
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

func readOutput(v value) engine.Output {
	f := v.section("number", "label", "max_gain")
	return engine.Output{
		Number:    f["number"].count(),
		Label:     f["label"].text(),
		MaxGainDB: f["max_gain"].number(level()),
	}
}

func readSource(v value) engine.Source {
	f := v.section("name", "row", "at", "level", "output")
	src := engine.Source{
		Name:   f["name"].text(),
		Row:    choice(f["row"], engine.RowFront, engine.RowRear),
		At:     readPoint(f["at"]),
		Output: f["output"].count(),
	}
	if !f["level"].absent { // the only optional key: most arrays are of one kind of cabinet
		src.LevelDB = f["level"].number(level())
	}
	return src
}

func readPoint(v value) engine.Point {
	c := v.list(3, "three lengths [x, y, z] such as [2.1 m, 0 m, 30 cm]")
	return engine.Point{X: c[0].number(length()), Y: c[1].number(length()), Z: c[2].number(length())}
}

func readMicrophone(v value) engine.Microphone {
	f := v.section("name", "role", "at")
	return engine.Microphone{
		Name: f["name"].text(),
		Role: choice(f["role"], engine.RoleFront, engine.RoleRear),
		At:   readPoint(f["at"]),
	}
}

func readZone(v value) engine.Zone {
	f := v.section("name", "kind", "height", "corners")
	height := f["height"].number(length())
	return engine.Zone{
		Name: f["name"].text(),
		Kind: choice(f["kind"], engine.ZoneAudience, engine.ZoneQuiet),
		Corners: each(f["corners"], "a list of corners", func(v value) engine.Point {
			c := v.list(2, "two lengths [x, y] such as [6 m, -12 m]")
			return engine.Point{X: c[0].number(length()), Y: c[1].number(length()), Z: height}
		}),
	}
}
