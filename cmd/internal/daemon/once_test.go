package daemon

import (
	"slices"
	"strings"
	"testing"

	"hushback/control"
)

func TestRestedSaysHowItEnded(t *testing.T) {
	if back, err := rested(control.RolledBack{To: control.ToSafe, Blind: []int{3}}); err != nil || back.To != control.ToSafe || !slices.Equal(back.Blind, []int{3}) {
		t.Errorf("rolled back: %v, %v", back, err)
	}
	_, err := rested(control.Adrift{Outputs: []int{2, 3}, Reason: "no answer"})
	if err == nil || !strings.Contains(err.Error(), "[2 3]") {
		t.Errorf("adrift: %v, want the outputs in doubt", err)
	}
	if _, err := rested(control.Idle{}); err == nil {
		t.Error("idle passes for rolled back")
	}
}
