package configs

import (
	"reflect"
	"sync"
	"testing"

	"hushback/configs/document"
	"hushback/engine"
	"hushback/engine/layout"
)

// TestDeadValuesAreSilent: below something that is wrong nothing else is told.
func TestDeadValuesAreSilent(t *testing.T) {
	if got := readSite(document.Value{}); len(got.common.Sources)+len(got.common.Zones)+len(got.layouts)+len(got.used) > 0 || got.common.Job != "" {
		t.Errorf("a dead value became %+v", got)
	}
	if got := readBlock(document.Value{}); !reflect.DeepEqual(got, layout.Block{Free: []engine.Source{}}) {
		t.Errorf("a dead block became %+v", got)
	}
	if got := readArg(document.Value{}); got.Literal != nil {
		t.Errorf("a dead argument became %+v", got)
	}
}

// TestLoadersShareNothing runs them side by side for the race detector.
func TestLoadersShareNothing(t *testing.T) {
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			if _, err := OpenSite("ottersedge"); err != nil {
				t.Error(err)
			}
			if _, err := OpenProfile("plain-eight"); err != nil {
				t.Error(err)
			}
			if _, err := OpenSite("nowhere"); err == nil {
				t.Error("nowhere was opened")
			}
		})
	}
	all.Wait()
}
