package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

// The example jobs show what their comments say: typed in from there, as what one
// row of a comparison of their layouts reads.
func TestExampleJobsShowTheirProblem(t *testing.T) {
	for _, c := range []struct {
		site, row string
		want      []float64
	}{
		{"marlfold", "opening-target", []float64{89, 73}},
		{"marlfold", "opening-top", []float64{101, 51}},
		{"sorrelgate", "audience-dip", []float64{20.5, 32.9, 0.7}},
		{"cinderbarn", "mean-rejection", []float64{28.6, 10.7}},
		{"cinderbarn", "headroom-cost", []float64{5.2, 0.2}},
	} {
		code, out, errs := said(t, "compare", c.site, "--json")
		var compared struct {
			Rows []struct {
				Key    string    `json:"key"`
				Values []float64 `json:"values"`
			} `json:"rows"`
		}
		if err := json.Unmarshal([]byte(out), &compared); err != nil {
			t.Fatal(err)
		}
		if code != exitDone || errs != "" {
			t.Errorf("%s: exit code %d, %s", c.site, code, errs)
		}
		found := false
		for _, r := range compared.Rows {
			if r.Key != c.row {
				continue
			}
			found = len(r.Values) == len(c.want)
			for i := range c.want {
				if got := r.Values[i]; got < c.want[i]-0.6 || got > c.want[i]+0.6 {
					t.Errorf("%s, %s: got %v, want %v", c.site, c.row, r.Values, c.want)
				}
			}
		}
		if !found {
			t.Errorf("%s: no row %s of %d values", c.site, c.row, len(c.want))
		}
	}
}

// A rig put up as well as a good crew does it clears the limits of every job: more
// seeds than one by HUSHTEST_JOBS.
func TestExampleJobsAreProven(t *testing.T) {
	for _, site := range []string{"marlfold", "sorrelgate", "cinderbarn"} {
		t.Run(site, func(t *testing.T) {
			t.Parallel()
			for seed := range often(t, "HUSHTEST_JOBS", 1) {
				for try := 1; ; try++ { // like a reader's, see tries
					code, out, errs := said(t, "rehearse", site, "--unattended", "--seed", fmt.Sprint(1+seed))
					if code == exitDone {
						break
					}
					if t.Logf("seed %d: exit code %d\n%s%s", 1+seed, code, errs, out); try == tries || strings.Contains(out, "refuted") {
						t.Fatal("it is not proven")
					}
				}
			}
		})
	}
}
