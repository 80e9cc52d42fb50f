package configs

import (
	"go.yaml.in/yaml/v3"

	"hushback/configs/quantity"
	"hushback/engine"
)

func readCabinet(v value) engine.Cabinet {
	f := v.section("name", "size", "directivity")
	size := f["size"].list(3, "three lengths [width, depth, height] such as [1.1 m, 75 cm, 60 cm]")
	cabinet := engine.Cabinet{
		Name:    f["name"].text(),
		WidthM:  size[0].number(quantity.Length()),
		DepthM:  size[1].number(quantity.Length()),
		HeightM: size[2].number(quantity.Length()),
	}
	if f["directivity"].given() {
		cabinet.Directivity = readDirectivity(f["directivity"])
	}
	return cabinet
}

// readDirectivity reads a table with a line of levels for each frequency.
func readDirectivity(v value) engine.Directivity {
	f := v.section("frequencies", "angles", "levels")
	list := func(v value, want string, q quantity.Kind) []float64 {
		return each(v, want, func(v value) float64 { return v.number(q) })
	}
	return engine.Directivity{
		FreqHz:   list(f["frequencies"], "a list of frequencies such as [31.5 Hz, 63 Hz]", quantity.Frequency()),
		AngleRad: list(f["angles"], "a list of angles such as [0°, 90°, 180°]", quantity.Angle()),
		LevelDB: each(f["levels"], "a list of levels for each frequency such as [[0 dB, -1 dB, -2 dB]]", func(v value) []float64 {
			return list(v, "a level for each angle such as [0 dB, -1 dB, -2 dB]", quantity.Level())
		}),
	}
}

func readOutput(v value) engine.Output {
	f := v.section("number", "label", "max_gain", "group", "bend", "processor", "channel")
	o := engine.Output{
		Number:    f["number"].count(),
		Label:     f["label"].text(),
		MaxGainDB: f["max_gain"].number(quantity.Level()),
		Group:     f["group"].textOrNone(),
		AsPlaced:  f["bend"].given(),
		BendSec:   f["bend"].numberOr(0, quantity.Period()),
		Processor: f["processor"].textOrNone(),
	}
	optional(f["channel"], &o.Channel, func(v value) int {
		n := v.count()
		if n == 0 {
			v.reject("what the processor counts the output as, 1 or more")
		}
		return n
	})
	return o
}

func readGroup(v value) engine.Group {
	f := v.section("name", "treatment")
	return engine.Group{Name: f["name"].text(), Treatment: readTreatment(f["treatment"])}
}

// readTreatment takes the plain word null by its spelling: to YAML it means
// nothing, to the trade it is what the array is for. An empty value or another
// of YAML's words for nothing is still nothing.
func readTreatment(v value) engine.Treatment {
	if v.is(yaml.ScalarNode) && v.node.Tag == "!!null" && v.node.Value == string(engine.TreatNull) {
		return engine.TreatNull
	}
	return choice(v, engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain)
}

func readSource(v value) engine.Source {
	f := v.section("name", "row", "at", "level", "output", "facing", "cabinet")
	return engine.Source{
		Name:      f["name"].text(),
		Row:       choice(f["row"], engine.RowFront, engine.RowRear),
		At:        readPoint(f["at"]),
		LevelDB:   f["level"].numberOr(0, quantity.Level()),
		Output:    f["output"].count(),
		FacingRad: f["facing"].numberOr(0, quantity.Angle()),
		Cabinet:   f["cabinet"].textOrNone(),
	}
}
