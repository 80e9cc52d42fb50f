package configs

import (
	"go.yaml.in/yaml/v3"

	"hushback/configs/document"
	"hushback/configs/quantity"
	"hushback/engine"
)

func readCabinet(v document.Value) engine.Cabinet {
	f := v.Section("name", "size", "directivity")
	size := f["size"].List(3, "three lengths [width, depth, height] such as [1.1 m, 75 cm, 60 cm]")
	cabinet := engine.Cabinet{
		Name:    f["name"].Text(),
		WidthM:  size[0].Number(quantity.Length()),
		DepthM:  size[1].Number(quantity.Length()),
		HeightM: size[2].Number(quantity.Length()),
	}
	optional(f["directivity"], &cabinet.Directivity, readDirectivity)
	return cabinet
}

// readDirectivity reads a table with a line of levels for each frequency.
func readDirectivity(v document.Value) engine.Directivity {
	f := v.Section("frequencies", "angles", "levels")
	list := func(v document.Value, want string, q quantity.Kind) []float64 {
		return document.Each(v, want, func(v document.Value) float64 { return v.Number(q) })
	}
	return engine.Directivity{
		FreqHz:   list(f["frequencies"], "a list of frequencies such as [31.5 Hz, 63 Hz]", quantity.Frequency()),
		AngleRad: list(f["angles"], "a list of angles such as [0°, 90°, 180°]", quantity.Angle()),
		LevelDB: document.Each(f["levels"], "a list of levels for each frequency such as [[0 dB, -1 dB, -2 dB]]", func(v document.Value) []float64 {
			return list(v, "a level for each angle such as [0 dB, -1 dB, -2 dB]", quantity.Level())
		}),
	}
}

func readOutput(v document.Value) engine.Output {
	f := v.Section("number", "label", "max_gain", "group", "bend", "processor", "channel")
	o := engine.Output{
		Number:    f["number"].Count(),
		Label:     f["label"].Text(),
		MaxGainDB: f["max_gain"].Number(quantity.Level()),
		Group:     f["group"].TextOrNone(),
		AsPlaced:  f["bend"].Given(),
		BendSec:   f["bend"].NumberOr(0, quantity.Period()),
		Processor: f["processor"].TextOrNone(),
	}
	optional(f["channel"], &o.Channel, func(v document.Value) int {
		n := v.Count()
		if n == 0 {
			v.Reject("what the processor counts the output as, 1 or more")
		}
		return n
	})
	return o
}

func readGroup(v document.Value) engine.Group {
	f := v.Section("name", "treatment")
	return engine.Group{Name: f["name"].Text(), Treatment: readTreatment(f["treatment"])}
}

// readTreatment takes the plain word null by its spelling: to YAML it means
// nothing, to the trade it is what the array is for. An empty value or another
// of YAML's words for nothing is still nothing.
func readTreatment(v document.Value) engine.Treatment {
	if v.Is(yaml.ScalarNode) && v.Node.Tag == "!!null" && v.Node.Value == string(engine.TreatNull) {
		return engine.TreatNull
	}
	return document.Choice(v, engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain)
}

func readSource(v document.Value) engine.Source {
	f := v.Section("name", "row", "at", "level", "output", "facing", "cabinet")
	return engine.Source{
		Name:      f["name"].Text(),
		Row:       document.Choice(f["row"], engine.RowFront, engine.RowRear),
		At:        readPoint(f["at"]),
		LevelDB:   f["level"].NumberOr(0, quantity.Level()),
		Output:    f["output"].Count(),
		FacingRad: f["facing"].NumberOr(0, quantity.Angle()),
		Cabinet:   f["cabinet"].TextOrNone(),
	}
}
