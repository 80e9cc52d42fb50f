package configs

import (
	"math"

	"go.yaml.in/yaml/v3"

	"hushback/configs/document"
	"hushback/configs/quantity"
	"hushback/engine"
	"hushback/verify/source"
)

// Mapping reads how to take functions from another program from the bytes of a
// file. The path only names the file in errors, which are Problems.
func Mapping(path string, data []byte) (source.Mapping, error) {
	return document.Load(path, data, readMapping, func(m source.Mapping) []engine.Problem {
		var problems []engine.Problem
		for _, p := range m.Problems() {
			problems = append(problems, engine.Problem{Path: p.Key, Got: p.Got, Want: p.Want})
		}
		return problems
	})
}

// OpenMapping reads the mapping file at a path, or the example of that name. A
// bare word is a name; anything with a dot or a slash is a path.
func OpenMapping(name string) (source.Mapping, error) {
	return open("mapping", mappingFolder, name, Mapping)
}

// MappingNames lists the example mappings, in alphabetical order.
func MappingNames() []string { return names(mappingFolder) }

func readMapping(v document.Value) source.Mapping {
	f := v.Section("microphone", "url", "subprotocol", "say", "averaging", "frequency", "level", "phase", "coherence", "averages")
	m := source.Mapping{
		Microphone: f["microphone"].Text(), URL: f["url"].Text(), Subprotocol: f["subprotocol"].TextOrNone(), Say: f["say"].TextOrNone(),
		AveragingSec: f["averaging"].Number(quantity.Period()),
		Frequency:    readPointer(f["frequency"], unit{"Hz", 1}, unit{"kHz", 1000}),
		Level:        readPointer(f["level"], unit{"dB", 1}, unit{"ratio", 0}),
		Phase:        readPointer(f["phase"], unit{"degrees", math.Pi / 180}, unit{"radians", 1}),
		Coherence:    readPointer(f["coherence"], unit{"ratio", 1}, unit{"percent", 0.01}),
	}
	if m.Level.Unit == 0 {
		m.Level.Unit, m.Level.Linear = 1, true
	}
	if f["averages"].Is(yaml.MappingNode) {
		m.Averages.Pointer = f["averages"].Section("at")["at"].Text()
	} else {
		m.Averages.Count = f["averages"].Plain()
	}
	return m
}

// unit is what a file calls a unit, and one of it in our own.
type unit struct {
	name string
	is   float64
}

func readPointer(v document.Value, units ...unit) source.Array {
	f := v.Section("at", "unit")
	a := source.Array{Pointer: f["at"].Text()}
	var names []string
	for _, u := range units {
		names = append(names, u.name)
	}
	name := document.Choice(f["unit"], names...)
	for _, u := range units {
		if u.name == name {
			a.Unit = u.is
		}
	}
	return a
}
