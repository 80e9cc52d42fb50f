package dossier

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/engine"
)

// fill draws a value of any type by chance, with the numbers that are hard to write
// down more often than chance would.
func fill(r *rand.Rand, v reflect.Value) {
	hard := []float64{0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), math.SmallestNonzeroFloat64, math.MaxFloat64, 0.1, 1e21, 1e-7, 1.0 / 3}
	float := func() float64 {
		if r.IntN(3) == 0 {
			return hard[r.IntN(len(hard))]
		}
		return math.Float64frombits(r.Uint64())
	}
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(float())
	case reflect.Complex128:
		v.SetComplex(complex(float(), float()))
	case reflect.Int:
		v.SetInt(int64(r.Uint64()))
	case reflect.Uint64:
		v.SetUint(r.Uint64())
	case reflect.Bool:
		v.SetBool(r.IntN(2) == 0)
	case reflect.String:
		words := []string{"", "front", "Südtor \"A\"\\", "<b>&\u2028\x00\n", "−6 dB"}
		v.SetString(words[r.IntN(len(words))])
	case reflect.Pointer:
		if r.IntN(4) > 0 {
			v.Set(reflect.New(v.Type().Elem()))
			fill(r, v.Elem())
		}
	case reflect.Slice:
		if n := r.IntN(4); n > 0 {
			v.Set(reflect.MakeSlice(v.Type(), n-1, n-1))
		}
		for i := range v.Len() {
			fill(r, v.Index(i))
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(r, v.Index(i))
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			v.Set(reflect.ValueOf(time.Unix(r.Int64N(1<<34)-1<<33, r.Int64N(1e9)).In(time.FixedZone("", 3600*r.IntN(5)))))
			return
		}
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fill(r, v.Field(i))
			}
		}
	default:
		panic("nothing is drawn for " + v.Type().String())
	}
}

func drawn(seed uint64) (d Dossier) {
	fill(rand.New(rand.NewPCG(seed, 7)), reflect.ValueOf(&d).Elem())
	d.Change = fmt.Sprintf("20260704-1203%02d.250-c0ffee%02d", seed%60, seed%100)
	return d
}

// differ is where two values are not the same bit for bit, "" if nowhere: NaN is NaN,
// a moment is a moment, nil and empty are two things.
func differ(a, b reflect.Value, at string) string {
	bits := func(x, y float64) bool {
		return math.Float64bits(x) == math.Float64bits(y) || math.IsNaN(x) && math.IsNaN(y)
	}
	same := true
	switch a.Kind() {
	case reflect.Float64:
		same = bits(a.Float(), b.Float())
	case reflect.Complex128:
		same = bits(real(a.Complex()), real(b.Complex())) && bits(imag(a.Complex()), imag(b.Complex()))
	case reflect.Pointer:
		if same = a.IsNil() == b.IsNil(); same && !a.IsNil() {
			return differ(a.Elem(), b.Elem(), at)
		}
	case reflect.Slice, reflect.Array:
		if same = a.Len() == b.Len() && (a.Kind() == reflect.Array || a.IsNil() == b.IsNil()); same {
			for i := range a.Len() {
				if where := differ(a.Index(i), b.Index(i), fmt.Sprintf("%s[%d]", at, i)); where != "" {
					return where
				}
			}
		}
	case reflect.Struct:
		if t, is := a.Interface().(time.Time); is {
			same = t.Equal(b.Interface().(time.Time))
			break
		}
		for i := range a.NumField() {
			if f := a.Type().Field(i); f.IsExported() {
				if where := differ(a.Field(i), b.Field(i), at+"."+f.Name); where != "" {
					return where
				}
			}
		}
	default:
		same = a.Interface() == b.Interface()
	}
	if same {
		return ""
	}
	return fmt.Sprintf("%s: %v and %v", at, a, b)
}

func mustBeSame(t *testing.T, what string, got, want Dossier) {
	t.Helper()
	if where := differ(reflect.ValueOf(want), reflect.ValueOf(got), "Dossier"); where != "" {
		t.Errorf("%s: not what was written: %s", what, where)
	}
}

func marshal(t *testing.T, d Dossier) []byte {
	t.Helper()
	text, err := Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestDossiersComeBackAsTheyWere(t *testing.T) {
	for seed := range uint64(60) {
		want := drawn(seed)
		text := marshal(t, want)
		if !json.Valid(text) {
			t.Fatalf("seed %d: no JSON: %s", seed, text)
		}
		got, err := Unmarshal(text)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		mustBeSame(t, fmt.Sprintf("seed %d", seed), got, want)
	}
	got, err := Unmarshal(marshal(t, Dossier{}))
	if err != nil {
		t.Fatal(err)
	}
	mustBeSame(t, "an empty one", got, Dossier{})
}

// What stands in the file is told by hand here, as another program would read it.
func TestSpelling(t *testing.T) {
	d := Dossier{Entry: Entry{Change: "c1", Started: time.Date(2026, 7, 4, 21, 0, 0, 5e8, time.FixedZone("", 7200))}}
	d.Prediction.Front.FreqHz, d.Prediction.Front.P = []float64{40.5}, []complex128{complex(-0.25, math.Inf(-1))}
	d.Prediction.QuietDB = math.NaN()
	text := string(marshal(t, d))
	for _, want := range []string{
		`{"format":"hushback.dossier.v1",`, `"entry":{"change":"c1",`, `"started":"2026-07-04T19:00:00.5Z","ended":"0001-01-01T00:00:00Z"`,
		`"front":{"freq_hz":[40.5],"p":[[-0.25,"-Inf"]]}`, `"quiet_db":"NaN"`, `"captures":null`, `"verdict":null`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s in %s", want, text)
		}
	}
}

// keysOf is every key that the format has, by its path.
func keysOf(t reflect.Type, at string) (keys []string) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Array:
		return keysOf(t.Elem(), at)
	case reflect.Struct:
		if t == reflect.TypeFor[time.Time]() {
			return []string{at}
		}
		for i := range t.NumField() {
			if f := t.Field(i); f.IsExported() {
				keys = append(keys, keysOf(f.Type, strings.TrimPrefix(at+"."+key(f.Name), "."))...)
			}
		}
		return keys
	}
	return []string{at}
}

// The keys come from the names of Go's fields. A file that was written stays, so a
// name that is changed elsewhere must not change the format unseen: keys.txt is what
// the first version had. Keys may be added to it, none may go.
func TestNoKeyIsEverLost(t *testing.T) {
	text, err := os.ReadFile("testdata/keys.txt")
	if err != nil {
		t.Fatal(err)
	}
	have := keysOf(reflect.TypeFor[Dossier](), "")
	slices.Sort(have)
	if once := slices.Compact(slices.Clone(have)); len(once) != len(have) {
		t.Error("two fields have one key")
	}
	for _, key := range strings.Fields(string(text)) {
		if !slices.Contains(have, key) {
			t.Errorf("%s is not in the format any more: files that have it could not be read", key)
		}
	}
	for _, key := range have {
		if !slices.Contains(strings.Fields(string(text)), key) {
			t.Errorf("%s is new: add it to testdata/keys.txt", key)
		}
	}
}

func TestBadTextIsRefusedByPlace(t *testing.T) {
	good := string(marshal(t, drawn(1)))
	cases := []struct{ text, says string }{
		{"", "EOF"}, {"null", "format"}, {"[]", "damaged"}, {`{"format":1}`, "format: got 1"}, {`{"format":"x"}`, `want "hushback.dossier.v1"`},
		{good[:len(good)/2], "damaged"}, {good + "{}", "after its end"}, {good + "x", "after its end"},
		{`{"format":"hushback.dossier.v1","entry":{"job":3}}`, "entry.job: got 3, want words"},
		{`{"format":"hushback.dossier.v1","entry":{"started":"noon"}}`, "entry.started: got noon, want a moment"},
		{`{"format":"hushback.dossier.v1","entry":{"started":"0000-01-01T00:00:00+02:00"}}`, "want a moment"},
		{`{"format":"hushback.dossier.v1","entry":{"in_doubt":[1,2.5]}}`, "entry.in_doubt[1]: got 2.5, want a whole number"},
		{`{"format":"hushback.dossier.v1","captures":{}}`, "captures: got map[], want a list"},
		{`{"format":"hushback.dossier.v1","captures":[7]}`, "captures[0]: got 7, want an object"},
		{`{"format":"hushback.dossier.v1","captures":[{"function":{"h":[[1,2],[1]]}}]}`, "captures[0].function.h[1]: got [1], want [re, im]"},
		{`{"format":"hushback.dossier.v1","captures":[{"function":{"h":[[1,"x"]]}}]}`, "want [re, im]"},
		{`{"format":"hushback.dossier.v1","captures":[{"delay_sec":"soon"}]}`, "captures[0].delay_sec: got soon, want a number"},
		{`{"format":"hushback.dossier.v1","captures":[{"delay_sec":1e999}]}`, "want a number"},
		{`{"format":"hushback.dossier.v1","captures":[{"delay_sec":null}]}`, "want a number"},
		{`{"format":"hushback.dossier.v1","verdict":{"claims":[{"likely":[1]}]}}`, "verdict.claims[0].likely: got a list of 1, want 2"},
		{`{"format":"hushback.dossier.v1","timeline":[{"seq":-1}]}`, "timeline[0].seq: got -1, want a count"},
		{`{"format":"hushback.dossier.v1","before":[{"muted":"yes"}]}`, "before[0].muted: got yes, want true or false"},
	}
	for _, c := range cases {
		got, err := Unmarshal([]byte(c.text))
		if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%.80s: %v, want %q", c.text, err, c.says)
		}
		mustBeSame(t, c.text, got, Dossier{})
	}
	_, err := Unmarshal([]byte(`{"format":"hushback.dossier.v2"}`))
	if err == nil || errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "another version") {
		t.Errorf("a later format: %v, want one that calls it no damage", err)
	}
}

// A later version of this format may have more keys, an earlier one had fewer.
func TestMoreAndFewerKeysAreRead(t *testing.T) {
	d, err := Unmarshal([]byte(`{"format":"hushback.dossier.v1","entry":{"job":"Larkpit","mood":[{}]},"weather":3}`))
	if err != nil {
		t.Fatal(err)
	}
	mustBeSame(t, "more and fewer", d, Dossier{Entry: Entry{Job: "Larkpit"}})
}

// What is read is either refused or means the same when it is written once more.
func FuzzUnmarshal(f *testing.F) {
	d := drawn(2)
	d.Site, d.Captures, d.Prediction, d.Correction = engine.Site{}, nil, engine.Prediction{}, nil // small ones are played with faster
	text, err := Marshal(d)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"format":"hushback.dossier.v1","entry":{"started":"2026-07-04T12:00:00+02:00"},"captures":[{"function":{"h":[[0,"NaN"]]}}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := Unmarshal(text)
		if err != nil {
			return
		}
		again, err := Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Unmarshal(again)
		if err != nil {
			t.Fatalf("%v: %s", err, again)
		}
		mustBeSame(t, "once more", back, d)
	})
}
