package desk_test

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

// ask writes a view out as programs read it, and reads it again.
func ask(t *testing.T, v desk.View) desk.Report {
	t.Helper()
	text, err := json.Marshal(desk.ReportOf(v))
	if err != nil {
		t.Fatal(err)
	}
	var out desk.Report
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&out); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return out
}

func TestStateForPrograms(t *testing.T) {
	digest := desktest.DryRun().Digest
	cases := map[string]func(desk.Report) bool{
		"idle": func(r desk.Report) bool {
			return r.Change == "" && r.Digest == "" && r.KeepBy == nil && r.Verdict == nil
		},
		"drafted": func(r desk.Report) bool {
			return r.Digest == digest && r.Code == desk.Words(digest) && r.Expires != nil
		},
		"sending": func(r desk.Report) bool {
			return r.Change == "c-0008" && r.Sent == 11 && r.Total == 24 && r.Doing != ""
		},
		"measuring": func(r desk.Report) bool { return r.Change == "c-0008" && r.Doing != "" },
		"held":      func(r desk.Report) bool { return r.KeepBy.Equal(desktest.Time) && r.Verdict.Outcome == "proven" },
		"kept":      func(r desk.Report) bool { return r.Change == "c-0008" && r.Verdict.Outcome == "proven" },
		"rolled back": func(r desk.Report) bool {
			return r.To == control.ToBefore && r.Reason != "" && r.Verdict.Outcome == "refuted"
		},
		"adrift": func(r desk.Report) bool {
			return slices.Equal(r.InDoubt, []int{1, 3}) && r.Reason != "" && r.Notice != ""
		},
	}
	for name, state := range desktest.States() {
		r := ask(t, desktest.View(state))
		if r.State != name || r.Seq != 1 || !r.SafeStored || len(r.Feeds) != 2 || *r.Predicted.NullHz != 47.1 || !cases[name](r) {
			t.Errorf("%s reads %+v", name, r)
		}
	}
}

func TestStateHasNullWhereThereIsNoNumber(t *testing.T) {
	v := desktest.View(desktest.States()["held"])
	v.Prediction.Summary.NullDepthDB = math.Inf(-1)
	v.Verdict.Summary.NullHz = math.NaN()
	v.Feeds[0].LevelDB = math.Inf(-1)
	r := ask(t, v)
	if r.Predicted.NullDepthDB != nil || r.Verdict.NullHz != nil || r.Feeds[0].LevelDB != nil {
		t.Errorf("got %+v, want null for what is not finite", r)
	}
	if *r.Verdict.NullDepthDB != v.Verdict.Summary.NullDepthDB || *r.Feeds[1].LevelDB != -52.9 {
		t.Errorf("finite numbers changed on the way: %+v", r)
	}
}

func TestStateOfAnEmptyView(t *testing.T) {
	if r := ask(t, desk.View{}); r.State != "idle" || r.SafeStored || r.Change != "" {
		t.Errorf("got %+v, want idle and nothing else", r)
	}
}

func TestStateTellsWhatElseAProgramMustKnow(t *testing.T) {
	v := desktest.View(control.Drafted{DryRun: desktest.BlindDryRun()})
	v.Strange, v.Restores = desktest.Strangers(), "the preset"
	r := ask(t, v)
	if !slices.Equal(r.Blind, []int{1, 2}) || r.BackTo != control.ToSafe || r.Restores != "the preset" {
		t.Errorf("blind %v, back to %q, restores %q", r.Blind, r.BackTo, r.Restores)
	}
	want := []desk.Change{{2, "gain", "gain -7.8 dB", "gain 0.0 dB", desktest.Time}, {3, "mute", "open", "muted", desktest.Time.Add(time.Second)}}
	if !slices.Equal(r.Elsewhere, want) {
		t.Errorf("changed elsewhere: %+v", r.Elsewhere)
	}
	if len(r.Presets) != len(v.Presets) {
		t.Fatalf("%d presets, want %d", len(r.Presets), len(v.Presets))
	}
	for i, p := range v.Presets {
		if got := r.Presets[i]; got.Name != p.Name || got.ID != p.ID() || !got.Taken.Equal(p.Taken) {
			t.Errorf("preset %+v, want %s of %s", got, p.Name, p.Taken)
		}
	}
	if r := ask(t, desktest.View(control.Kept{Blind: []int{4}})); !slices.Equal(r.Blind, []int{4}) || r.BackTo != "" {
		t.Errorf("kept: blind %v, back to %q", r.Blind, r.BackTo)
	}
}

// The names are promised to programs; a renamed field would break them.
func TestStateKeepsItsNames(t *testing.T) {
	b, err := json.Marshal(desk.ReportOf(desktest.View(desktest.States()["held"])))
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"seq", "state", "change", "digest", "code", "expires", "keep_by", "doing", "notice", "verdict", "predicted", "feeds", "safe_stored", "outputs_in_doubt", "reason", "rolled_back_to", "sent", "total", "restores", "back_to", "blind_outputs", "changed_elsewhere", "presets"} {
		if _, ok := got[name]; !ok {
			t.Errorf("no %q in the state", name)
		}
	}
	verdict, _ := got["verdict"].(map[string]any)
	for _, name := range []string{"outcome", "reasons", "null_hz", "null_depth_db", "sum_shortfall_db"} {
		if _, ok := verdict[name]; !ok {
			t.Errorf("no %q in the verdict", name)
		}
	}
}

func TestFlattenKeepsWhatAStateKnows(t *testing.T) {
	for name, state := range desktest.States() {
		st := desk.Flatten(state)
		if st.Name != name {
			t.Errorf("%T is called %q, want %q", state, st.Name, name)
		}
		running := slices.Contains([]string{"sending", "measuring", "held"}, name)
		if st.Running != running {
			t.Errorf("%s: running %v, want %v", name, st.Running, running)
		}
		// Whatever field a state has, the flat form has under the same name.
		from, to := reflect.ValueOf(state), reflect.ValueOf(st)
		for i := range from.NumField() {
			field := from.Type().Field(i).Name
			got := reflect.Indirect(to.FieldByName(field))
			if !got.IsValid() || !reflect.DeepEqual(got.Interface(), from.Field(i).Interface()) {
				t.Errorf("%s: %s is lost", name, field)
			}
		}
	}
	if st := desk.Flatten(nil); st.Name != "idle" {
		t.Errorf("no state is called %q, want idle", st.Name)
	}
}
