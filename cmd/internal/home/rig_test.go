package home

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"hushback/engine"
)

func TestRigIsRemembered(t *testing.T) {
	h := Folder{Dir: t.TempDir()}
	if _, known, err := h.Rig(); known || err != nil {
		t.Errorf("before anything was remembered: %v, %v", known, err)
	}
	site := engine.Site{
		Job: "a job", Target: engine.Target{NullHz: 48},
		Wiring:  engine.Wiring{Profile: "plain-eight", Address: "192.0.2.1:9000"},
		Further: []engine.Wiring{{Name: "left", Profile: "./mine.yaml", Address: "192.0.2.2:9000"}},
		Outputs: []engine.Output{{Number: 1, Label: "rear", MaxGainDB: -3}, {Number: 2, Processor: "left", Channel: 1}},
	}
	if err := h.Remember(site); err != nil {
		t.Fatal(err)
	}
	r, known, err := h.Rig()
	if err != nil || !known {
		t.Fatalf("%v, %v", known, err)
	}
	want := site
	want.Target = engine.Target{}
	want.Further = []engine.Wiring{site.Further[0]}
	if want.Further[0].Profile, err = filepath.Abs("mine.yaml"); err != nil {
		t.Fatal(err)
	}
	if got := r.Site(); !reflect.DeepEqual(got, want) {
		t.Errorf("remembered\n%+v, want\n%+v", got, want)
	}
	for _, damaged := range []string{"", "{", `{"job":"none"}`} {
		if err := os.WriteFile(h.rig(), []byte(damaged), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, known, err := h.Rig(); known || err == nil {
			t.Errorf("%q: %v, %v, want an error", damaged, known, err)
		}
	}
}
