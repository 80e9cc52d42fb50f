package mending

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/emulated"
	"hushback/cmd/internal/home"
	"hushback/configs"
	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
)

// defect is a site file's mistake with its place.
func defect(t *testing.T) configs.Problems {
	t.Helper()
	var found configs.Problems
	_, err := configs.Site("mine.yaml", []byte("air:\n  temperature: hot\n"))
	if !errors.As(err, &found) {
		t.Fatalf("a bad site is read with %v", err)
	}
	return found
}

// complaint fails a test that logs an error.
type complaint struct{ t *testing.T }

func (c complaint) Write(text []byte) (int, error) {
	c.t.Errorf("logged: %s", text)
	return len(text), nil
}

func options(t *testing.T, folder home.Folder) daemon.Options {
	t.Helper()
	return daemon.Options{Home: folder, Listen: "127.0.0.1:0", Session: time.Hour, Log: slog.New(slog.NewTextHandler(complaint{t}, &slog.HandlerOptions{Level: slog.LevelError}))}
}

func started(t *testing.T, folder home.Folder) *Daemon {
	t.Helper()
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { http.DefaultClient.CloseIdleConnections(); goleak.VerifyNone(t, before) })
	d, err := Start(options(t, folder), "mine.yaml", defect(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	})
	return d
}

// rigged is a state folder that an earlier run has left: a rig, and a safe preset
// where every output plays at -3 dB.
func rigged(t *testing.T) (home.Folder, *emulated.Processor, []engine.Setting) {
	t.Helper()
	processor, err := emulated.Start(context.Background(), emulated.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(processor.Close)
	site, err := configs.OpenSite("ottersedge")
	if err != nil {
		t.Fatal(err)
	}
	site.Wiring.Address = processor.Addr()
	folder := home.Folder{Dir: filepath.Join(t.TempDir(), "state")}
	if err := folder.Prepare(); err != nil {
		t.Fatal(err)
	}
	store, err := preset.Open(folder.Store())
	if err != nil {
		t.Fatal(err)
	}
	safe := preset.Preset{Name: preset.Safe, Taken: time.Now()}
	for _, o := range site.Outputs {
		safe.Settings = append(safe.Settings, engine.Setting{Output: o.Number, Polarity: 1, GainDB: -3})
	}
	if err := errors.Join(store.Put(safe), store.Close(), folder.Remember(site)); err != nil {
		t.Fatal(err)
	}
	return folder, processor, safe.Settings
}

// until waits for a picture.
func (d *Daemon) until(t *testing.T, wanted func() bool) {
	t.Helper()
	changed, stop := d.Watch()
	defer stop()
	late := time.After(time.Minute)
	for !wanted() {
		select {
		case <-changed:
		case <-late:
			t.Fatalf("never came; state %#v, notice %q", d.View().State, d.View().Notice)
		}
	}
}

// wishes are all that needs a site.
func wishes(d *Daemon) map[string]error {
	ctx := context.Background()
	return map[string]error{
		"store safe": d.StoreSafe(ctx), "dry run": d.DryRun(ctx), "correct": d.Correct(ctx), "as designed": d.AsDesigned(ctx), "adopt": d.Adopt(ctx, engine.Site{}),
		"confirm": d.Confirm(ctx, "5", true), "keep": d.Keep(ctx, "c"), "roll back": d.RollBack(ctx, "c"), "placed": d.Placed(ctx, "m"), "accept": d.Accept(ctx),
		"put back": d.PutBack(ctx), "save": d.SavePreset(ctx, "p"), "dry run preset": d.DryRunPreset(ctx, "p"), "use as safe": d.UseAsSafe(ctx, "p"),
	}
}

func TestMistakesAndNoWayBackAreSaidPlainly(t *testing.T) {
	d := started(t, home.Folder{Dir: filepath.Join(t.TempDir(), "state")})
	v := d.View()
	if len(v.Broken) == 0 || !slices.ContainsFunc(v.Broken, func(line string) bool {
		return strings.HasPrefix(line, "mine.yaml:2:") && strings.Contains(line, "hot")
	}) {
		t.Errorf("broken: %q, want the line of the temperature", v.Broken)
	}
	if !strings.Contains(v.Notice, "no way back to safe") || !strings.Contains(v.Notice, "nobody knows where the processor is") {
		t.Errorf("notice %q", v.Notice)
	}
	if err := d.Safe(context.Background()); err == nil || !strings.Contains(err.Error(), "nobody knows where the processor is") {
		t.Errorf("going back: %v", err)
	}
	for what, err := range wishes(d) {
		if !errors.Is(err, errBroken) {
			t.Errorf("%s: %v, want it refused", what, err)
		}
	}
	if d.View().Doing != "" || d.View().Seq != v.Seq {
		t.Error("what was refused changed something")
	}
}

func TestWayBackOfAnEarlierRun(t *testing.T) {
	folder, processor, safe := rigged(t)
	d := started(t, folder)
	if v := d.View(); v.Notice != "" || v.Safe == nil || !strings.Contains(v.Processor, processor.Addr()) || !strings.HasPrefix(v.Site.Job, "Ottersedge") {
		t.Errorf("before: %+v", v)
	}
	for range 2 { // the second finds it under way
		if err := d.Safe(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	d.until(t, func() bool { _, back := d.View().State.(control.RolledBack); return back && d.View().Doing == "" })
	if now := processor.Settings()[:len(safe)]; !slices.Equal(now, safe) {
		t.Errorf("the processor holds\n%v, want the safe preset\n%v", now, safe)
	}
	d.working.Wait()
	var events []string
	for _, e := range d.View().Journal {
		events = append(events, e.Event)
	}
	if want := []string{"rolled back", "rolling back", "as found stored"}; d.View().Notice != "" || !slices.Equal(events, want) {
		t.Errorf("journal %q, want %q; notice %q", events, want, d.View().Notice)
	}
}

// A daemon was killed in the middle of a change and its site file broken since: nobody
// may read that nothing was sent.
func TestWhatAKilledDaemonLeftIsInDoubt(t *testing.T) {
	folder, processor, safe := rigged(t)
	store, err := preset.Open(folder.Store())
	if err != nil {
		t.Fatal(err)
	}
	change := preset.Change{ID: "c-0001", Opened: time.Now(), Digest: "5", Before: safe, After: safe}
	if err := errors.Join(store.Begin(change, preset.Entry{At: time.Now(), Change: change.ID, Event: "sending"}), store.Close()); err != nil {
		t.Fatal(err)
	}
	d := started(t, folder)
	left, adrift := d.View().State.(control.Adrift)
	if !adrift || left.Change != change.ID || len(left.Outputs) != len(safe) {
		t.Fatalf("state %#v, want every output in doubt", d.View().State)
	}
	if err := d.Safe(context.Background()); err != nil {
		t.Fatal(err)
	}
	d.until(t, func() bool { _, back := d.View().State.(control.RolledBack); return back && d.View().Doing == "" })
	if now := processor.Settings()[:len(safe)]; !slices.Equal(now, safe) || d.View().Notice != "" {
		t.Errorf("the processor holds\n%v, want the safe preset\n%v; notice %q", now, safe, d.View().Notice)
	}
}

// Where another daemon has the state folder, or the rig's profile is gone, that is said.
func TestWhatStandsInTheWay(t *testing.T) {
	folder, _, _ := rigged(t)
	store, err := preset.Open(folder.Store())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Start(options(t, folder), "mine.yaml", defect(t)); err == nil {
		t.Error("it started beside another daemon")
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(folder.Store(), folder.Store()+".old"); err != nil {
		t.Fatal(err)
	}
	if err := started(t, folder).Safe(context.Background()); err == nil || !strings.Contains(err.Error(), "no safe preset was ever stored") {
		t.Errorf("going back without a safe preset: %v", err)
	}
	lost := engine.Site{Wiring: engine.Wiring{Profile: filepath.Join(t.TempDir(), "gone.yaml"), Address: "127.0.0.1:9"}}
	if err := folder.Remember(lost); err != nil {
		t.Fatal(err)
	}
	d := started(t, folder)
	if err := d.Safe(context.Background()); err == nil || !strings.Contains(err.Error(), "gone.yaml") {
		t.Errorf("going back without a profile: %v", err)
	}
}

// Every page, for somebody who is paired.
func TestEveryPageShowsTheMistakes(t *testing.T) {
	folder, _, _ := rigged(t)
	d := started(t, folder)
	note, found, err := folder.Find()
	if err != nil || !found {
		t.Fatalf("no note: %v", err)
	}
	for _, page := range pages.All() {
		r, err := http.NewRequest(http.MethodGet, note.URL+"/"+page.Name, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+note.Token)
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		answer.Body.Close()
		if err != nil || answer.StatusCode != http.StatusOK || strings.Count(string(body), "<li><code>mine.yaml:") != len(d.View().Broken) || !strings.Contains(string(body), "Next:</b> Mend the site file") {
			t.Errorf("%s: %d, %v, without the mistakes", page.Name, answer.StatusCode, err)
		}
		for _, press := range []string{"/dry-run", "/safe-preset", "/presets", "/confirm", "/use-as-safe", "/dry-run-preset"} {
			if strings.Contains(string(body), `action="`+press+`"`) {
				t.Errorf("%s offers %s, which would be refused", page.Name, press)
			}
		}
	}
	if i := d.Invitation(); i.URL != note.URL || len(i.Code) != 9 {
		t.Errorf("invitation %+v, note %+v", i, note)
	}
}
