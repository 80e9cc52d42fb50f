package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/rehearsal"
	"hushback/configs"
	"hushback/control"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify"
	"hushback/verify/diagnose"
)

const interrupt = syscall.SIGINT

// raised is a rehearsal's set without a fault, struck when the test ends.
func raised(t *testing.T, change func(*daemon.Options)) *set {
	t.Helper()
	return raisedWith(t, change, rehearsal.Options{Seed: 1})
}

func raisedWith(t *testing.T, change func(*daemon.Options), rig rehearsal.Options) *set {
	t.Helper()
	site := example(t)
	profile, err := configs.OpenProfile(site.Wiring.Profile)
	if err != nil {
		t.Fatal(err)
	}
	options := daemon.Options{
		Site: site, Profiles: []processor.Profile{profile}, Home: home.Folder{Dir: stateFolderFor(t)}, Listen: "127.0.0.1:0",
		ConfirmFor: time.Minute, KeepFor: time.Minute, Session: time.Hour,
		Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn})),
	}
	change(&options)
	set, err := raise(options, rig)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := set.strike(t.Output(), true); err != nil {
			t.Error(err)
		}
	})
	return set
}

// The transfer functions measured in the loop are held against the closed-form
// sum of the simulated paths: within 0.3 dB and 2° wherever the level is within
// 25 dB of the front sum.
func TestLoopMeasuresWhatIsThere(t *testing.T) {
	s := raised(t, func(o *daemon.Options) { o.KeepProven = true })
	if _, err := s.walk(withPatience(t), t.Logf); err != nil {
		t.Fatal(err)
	}
	v := s.daemon.View()
	if _, kept := v.State.(control.Kept); !kept {
		t.Fatalf("the change ended %#v", v.State)
	}
	compareWithTruth(t, s.rig, v)
	told := s.daemon.View().Feeds
	if err := s.until(withPatience(t), t.Logf, func(v desk.View) bool { return heardWell(v, told) }); err != nil {
		t.Errorf("%v: how good the microphones are was not told anew: %+v, then %+v", err, told, s.daemon.View().Feeds)
	}
	profile, err := configs.OpenProfile(v.Site.Wiring.Profile)
	if err != nil {
		t.Fatal(err)
	}
	for i, set := range v.Sheet.Settings {
		holds := s.rig.Processor.Settings()[i]
		for _, param := range processor.Params {
			if !profile.Same(param, set, holds) {
				t.Errorf("kept, but output %d holds %+v, want %+v", set.Output, holds, set)
			}
		}
	}
	if s.rig.Processor.Writes() != s.daemon.Writes() {
		t.Errorf("the processor counted %d writes, the daemon %d", s.rig.Processor.Writes(), s.daemon.Writes())
	}
}

// heardWell is that every microphone is good, by other numbers than were told before:
// there is noise in them.
func heardWell(v desk.View, told []desk.Feed) bool {
	return slices.EqualFunc(v.Feeds, told, func(now, before desk.Feed) bool {
		return now.Coherence > 0.8 && now.Coherence != before.Coherence
	})
}

// compareWithTruth holds what was measured against what the rig does.
func compareWithTruth(t *testing.T, rig *rehearsal.Rig, v desk.View) {
	t.Helper()
	front := rig.Response(engine.RoleFront, v.Sheet.Settings, v.Captures[0].Function.FreqHz)
	compared := 0
	var worstDB, worstDeg float64
	for _, c := range v.Captures {
		settings := slices.Clone(v.Sheet.Settings)
		for i := range settings {
			settings[i].Muted = c.Solo != verify.Everything && c.Solo != settings[i].Output
		}
		truth := rig.Response(c.Role, settings, c.Function.FreqHz)
		for i, f := range c.Function.FreqHz {
			if cmplx.Abs(truth[i]) < cmplx.Abs(front[i])*math.Pow(10, -25./20) {
				continue
			}
			compared++
			measured := c.Function.H[i] * cmplx.Rect(1, -2*math.Pi*f*c.DelaySec)
			db := math.Abs(20 * math.Log10(cmplx.Abs(measured)/cmplx.Abs(truth[i])))
			deg := math.Abs(cmplx.Phase(measured/truth[i])) * 180 / math.Pi
			worstDB, worstDeg = math.Max(worstDB, db), math.Max(worstDeg, deg)
			if db > 0.3 || deg > 2 {
				t.Errorf("%s microphone, solo %d, %g Hz: off by %.2f dB and %.1f°", c.Microphone, c.Solo, f, db, deg)
			}
		}
	}
	if compared < 400 {
		t.Errorf("only %d lines were loud enough to compare; the test proves little", compared)
	}
	t.Logf("%d lines of %d captures compared; worst %.3f dB and %.2f°", compared, len(v.Captures), worstDB, worstDeg)
}

// The processor counts what reaches it: dry runs and confirms that do not hold
// write nothing.
func TestNothingIsWrittenWithoutAGoodConfirm(t *testing.T) {
	s := raised(t, func(o *daemon.Options) { o.KeepProven = true })
	ctx := withPatience(t)
	if err := s.until(ctx, t.Logf, connected); err != nil {
		t.Fatal(err)
	}
	s.refuses(t, "unconfirmed", "", control.ErrNoDryRun)
	s.refuses(t, "no safe preset", s.draft(t), control.ErrNoSafe)
	if err := s.daemon.StoreSafe(ctx); err != nil {
		t.Fatal(err)
	}
	digest := s.draft(t)
	altered := []byte(digest)
	altered[0] ^= 1
	s.refuses(t, "altered", string(altered), control.ErrAltered)
	if n := s.rig.Processor.Writes(); n != 0 {
		t.Errorf("the processor counted %d writes, want none", n)
	}
	if s.rig.Processor.Queries() == 0 {
		t.Error("the processor counted no query: the dry runs read nothing")
	}

	if err := s.daemon.Confirm(ctx, digest, false); err != nil {
		t.Fatal(err)
	}
	if err := s.until(ctx, t.Logf, func(v desk.View) bool { return v.Doing == "" }); err != nil {
		t.Fatal(err)
	}
	n := s.rig.Processor.Writes()
	s.refuses(t, "re-used", digest, control.ErrUsed)
	if got := s.rig.Processor.Writes(); n == 0 || got != n {
		t.Errorf("%d writes after the good confirm and %d after using it again", n, got)
	}
}

func TestExpiredConfirmWritesNothing(t *testing.T) {
	s := raised(t, func(o *daemon.Options) { o.ConfirmFor = time.Nanosecond })
	if err := s.until(withPatience(t), t.Logf, connected); err != nil {
		t.Fatal(err)
	}
	if err := s.daemon.StoreSafe(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.refuses(t, "expired", s.draft(t), control.ErrExpired)
	if n := s.rig.Processor.Writes(); n != 0 {
		t.Errorf("the processor counted %d writes, want none", n)
	}
}

func (s *set) refuses(t *testing.T, what, digest string, want error) {
	t.Helper()
	if err := s.daemon.Confirm(t.Context(), digest, false); !errors.Is(err, want) {
		t.Errorf("%s: got %v, want %v", what, err, want)
	}
}

// draft takes a dry run and returns its digest.
func (s *set) draft(t *testing.T) string {
	t.Helper()
	if err := s.daemon.DryRun(t.Context()); err != nil {
		t.Fatal(err)
	}
	drafted, ok := s.daemon.View().State.(control.Drafted)
	if !ok {
		t.Fatalf("after a dry run the state is %T", s.daemon.View().State)
	}
	return drafted.DryRun.Digest
}

// unattended runs the program the way a script does.
func unattended(t *testing.T, args ...string) (code int, r printout.Rehearsed, said string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(context.Background(), append([]string{"rehearse", "--unattended", "--json"}, args...), &out, &errs)
	if err := json.Unmarshal(out.Bytes(), &r); err != nil {
		t.Fatalf("%v: exit code %d, output %q, error output:\n%s", args, code, out.String(), errs.String())
	}
	return code, r, errs.String()
}

func TestHealthyRigIsProvenAndKept(t *testing.T) {
	for seed := 1; seed <= 3; seed++ {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			code, r, said := unattended(t, "--seed", fmt.Sprint(seed))
			if code != exitDone || r.Verdict != verify.Proven || !r.Kept || r.HoldsAsFound || r.NullHz == nil {
				t.Fatalf("exit code %d, %+v", code, r)
			}
			if math.Abs(*r.NullHz-r.TargetHz) > 0.5 || *r.NullDepthDB > -24 || *r.ShortfallDB > 1.5 || len(r.Sheet) != 4 || r.Sends == 0 {
				t.Errorf("the numbers are not those of a proven rig: %+v", r)
			}
			if !strings.Contains(said, "measuring 1 of 5") {
				t.Errorf("no progress on standard error:\n%s", said)
			}
		})
	}
}

// Faults on every kind of place must end as promised; several rigs run
// at once, since the audio takes the time that audio takes.
func TestFaultsAreNeverKept(t *testing.T) {
	refuted := []string{"polarity", "polarity=1", "dead", "dead=1", "dead=3", "late", "late=4", "late=1", "moved", "moved=3", "moved=1"}
	outcomes := map[string][]verify.Outcome{
		"deaf": {verify.Undecided},
		"cold": {verify.Refuted, verify.Undecided},
	}
	for _, fault := range refuted {
		outcomes[fault] = []verify.Outcome{verify.Refuted}
	}
	causes := map[string]diagnose.Kind{
		"polarity": diagnose.Polarity, "dead": diagnose.Dead, "late": diagnose.Delay, "moved": diagnose.Position, "cold": diagnose.Temperature, "deaf": diagnose.Noise,
	}
	var all sync.WaitGroup
	places := make(chan struct{}, 2) // rigs at a time, so that two cores keep up with the audio
	for fault, allowed := range outcomes {
		all.Go(func() {
			places <- struct{}{}
			defer func() { <-places }()
			code, r, _ := unattended(t, "--fault", fault)
			name, _, _ := strings.Cut(fault, "=")
			if cause := causes[name]; len(r.Causes) == 0 || r.Causes[0].Kind != string(cause) || r.Causes[0].Probability < 0.5 {
				t.Errorf("%s: the first cause should be %q, got %+v", fault, cause, r.Causes)
			}
			if !slices.Contains(allowed, r.Verdict) || code != exitNotProven || r.Kept || !r.HoldsAsFound || len(r.Reasons) == 0 {
				t.Errorf("%s: exit code %d, want one of %v, not kept, as found: %+v", fault, code, allowed, r)
			}
			t.Logf("%s: %s: %s", fault, r.Verdict, strings.Join(r.Reasons, "; "))
		})
	}
	all.Wait()
}

// One microphone that is carried from place to place proves what two prove, rows
// as well as outputs.
func TestOneMicrophoneIsEnough(t *testing.T) {
	site := filepath.Join(t.TempDir(), "rows.yaml")
	text, err := os.ReadFile("../../configs/sites/ottersedge.yaml")
	must(t, err)
	must(t, os.WriteFile(site, append(text, "\nseries: both\n"...), 0o644))
	code, r, said := unattended(t, site, "--one-microphone")
	if code != exitDone || r.Verdict != verify.Proven || !r.Kept {
		t.Fatalf("exit code %d, %+v\n%s", code, r, said)
	}
	for _, want := range []string{
		"waiting for the microphone at mixing position (front)", "waiting for the microphone at stage door (rear)",
		"measuring 2 of 14: the rear row alone", "measuring 3 of 14: the front row alone", "measuring 14 of 14: output 4 alone (right front)",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it did not say %q:\n%s", want, said)
		}
	}
	if code, r, _ := unattended(t, site, "--one-microphone", "--fault", "polarity=2"); code != exitNotProven || r.Verdict != verify.Refuted || !r.HoldsAsFound {
		t.Errorf("reversed: exit code %d, %+v", code, r)
	}
}

// What a measurement refutes, the correction from that measurement proves, on the
// very rig that is out of order.
func TestCorrectionsAreProven(t *testing.T) {
	faults := []string{"polarity=3", "moved=3", "late=1"}
	inLanes(t, 1, len(faults), func(t *testing.T, n int) {
		code, r, said := unattended(t, "--fault", faults[n], "--correct", "2")
		if code != exitDone || r.Verdict != verify.Proven || !r.Kept || r.HoldsAsFound || r.Corrections < 1 || !strings.Contains(said, "taking the correction") {
			t.Fatalf("%s: exit code %d, %+v\n%s", faults[n], code, r, said)
		}
		t.Logf("%s: proven after %d corrections, %.1f dB at the target", faults[n], r.Corrections, *r.AtTargetDB)
	})
}

func TestBadInputIsToldFromRefuted(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"rehearse --fault nonsense", "polarity"},
		{"rehearse --fault late=9", "9"},
		{"rehearse no-such-site", "no-such-site"},
		{"rehearse --correct 1", "--unattended"},
		{"rehearse --unattended --correct -1", "counts from 0"},
		{"rehearse one two", "--help"},
		{"rehearse --seed x", "--help"},
		{"serve", "--help"},
		{"dry-run", "--help"},
		{"rehearse --keep-for 0", "keep-for"},
		{"rehearse --keep-for 90", "90 s"},
		{"rehearse --listen 8470", "host:port"},
		{"dry-run ottersedge --processor somewhere", "host:port"},
		{"serve a b", "name one site"},
		{"serve tarnholt --source invented-analyser", "stage door"},
		{"serve ottersedge --source invented-analyser --source invented-analyser", "has a source already"},
		{"serve ottersedge --source ./nowhere.yaml", "nowhere.yaml"},
		{"rehearse --log-level loud", "log-level"},
		{"nonsense", "nonsense"},
	} {
		var out, errs bytes.Buffer
		code := run(t.Context(), strings.Fields(c.args), &out, &errs)
		if code != exitBadInput || !strings.Contains(errs.String(), c.want) || out.Len() > 0 {
			t.Errorf("%s: exit code %d, output %q, errors %q; want %d and a word of %q", c.args, code, out.String(), errs.String(), exitBadInput, c.want)
		}
	}
}
