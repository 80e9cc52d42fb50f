package report

import (
	"bytes"
	"compress/gzip"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/report/folio"
	"hushback/control/preset"
)

func put(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// state is a state folder with the changes of the invented job.
func state(t *testing.T) home.Folder {
	t.Helper()
	folder := home.Folder{Dir: t.TempDir()}
	for _, d := range desktest.Past() {
		text, err := dossier.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		var packed bytes.Buffer
		w := gzip.NewWriter(&packed)
		_, err = w.Write(text)
		if err := errors.Join(err, w.Close()); err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(folder.Changes(), d.Change+".json.gz"), packed.String())
	}
	return folder
}

func TestWhatANameMeans(t *testing.T) {
	folder, past := state(t), desktest.Past()
	spelled, err := dossier.Marshal(past[2])
	if err != nil {
		t.Fatal(err)
	}
	handed := put(t, filepath.Join(t.TempDir(), "download.txt"), string(spelled))
	site := put(t, filepath.Join(t.TempDir(), "mine.yaml"), "job: x\n")
	packed, err := dossier.Path(folder.Changes(), past[1].Change)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, site, change, folder string }{
		{"ottersedge", "ottersedge", "", ""},
		{site, site, "", ""},
		{handed, "", past[2].Change, ""},
		{packed, "", past[1].Change, folder.Dir},
		{past[3].Change, "", past[3].Change, folder.Dir},
		{folder.Dir, "", past[0].Change, folder.Dir},
	} {
		s, err := Find(c.name, folder)
		if err != nil || s.Site != c.site || s.Change.Change != c.change || s.Folder.Dir != c.folder {
			t.Errorf("%s: %q, %q in %q, %v", c.name, s.Site, s.Change.Change, s.Folder.Dir, err)
		}
	}
	t.Chdir(filepath.Dir(site))
	if err := os.Rename(site, "word"); err != nil {
		t.Fatal(err)
	}
	if s, err := Find("word", folder); err != nil || s.Site != "./word" {
		t.Errorf("a file called by a bare word: %q, %v", s.Site, err)
	}
}

// What cannot be found, or read, is told with its place, and stays where it is.
func TestWhatMeansNothing(t *testing.T) {
	folder := state(t)
	spelled, err := dossier.Marshal(desktest.Past()[0])
	if err != nil {
		t.Fatal(err)
	}
	half := put(t, filepath.Join(t.TempDir(), "half.json"), string(spelled[:len(spelled)/2]))
	newer := put(t, filepath.Join(t.TempDir(), "newer.json"), strings.Replace(string(spelled), dossier.Format, "hushback.dossier.v9", 1))
	other := put(t, filepath.Join(t.TempDir(), "other.json"), `{"what": "something else"}`)
	torn := put(t, filepath.Join(t.TempDir(), "torn.json.gz"), "\x1f\x8b torn")
	damaged := "20260101-000000.000-c0ffee00"
	put(t, filepath.Join(folder.Changes(), damaged+".json.gz"), "\x1f\x8b\x08")
	empty := t.TempDir()
	for name, wants := range map[string][]string{
		"20260704-210000.000-c0ffee01": {"20260704-210000.000-c0ffee01", "neither a file nor a folder", "ottersedge", folder.Changes(), "--state"},
		"../../etc/nothing":            {"neither a file nor a folder"},
		"":                             {"neither a file nor a folder"},
		half:                           {half, "damaged"},
		newer:                          {newer, "hushback.dossier.v9", "another version"},
		other:                          {other, "damaged", "format"},
		torn:                           {torn, "damaged"},
		damaged:                        {damaged, "damaged"},
		empty:                          {empty, "no state folder with changes"},
	} {
		_, err := Find(name, folder)
		if err == nil {
			t.Errorf("%q means something", name)
			continue
		}
		for _, want := range wants {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q: %v\ndoes not say %q", name, err, want)
			}
		}
	}
	if _, err := os.Stat(filepath.Join(folder.Changes(), damaged+".json.gz")); err != nil {
		t.Error("what was damaged was moved")
	}
}

func TestPresetsBesideAChange(t *testing.T) {
	folder := home.Folder{Dir: t.TempDir()}
	known := func() Beside { return Subject{Change: desktest.Past()[0], Folder: folder}.Known() }
	if b := known(); !strings.Contains(b.Unknown, "no store") {
		t.Errorf("without a store: %+v", b)
	}
	s, err := preset.Open(folder.Store())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Put(preset.Preset{Name: preset.Safe, Taken: desktest.Time, Settings: desktest.AsFound()}); err != nil {
		t.Fatal(err)
	}
	if b := known(); !strings.Contains(b.Unknown, "in use") {
		t.Errorf("while somebody has it open: %+v", b)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if b := known(); b.Unknown != "" || len(b.Presets) != 1 || b.Presets[0].Name != preset.Safe || b.Ranges == nil {
		t.Errorf("known: %+v", b)
	}
	if err := folder.Leave(home.Note{URL: "http://127.0.0.1:1", Token: "secret-token"}); err != nil {
		t.Fatal(err)
	}
	b := known()
	if !strings.Contains(b.Unknown, "daemon") {
		t.Errorf("while a daemon runs: %+v", b)
	}
	if text := shown(t, plain(Change(desktest.Past()[3], b, by))); strings.Contains(text, "secret-token") || strings.Contains(text, folder.Dir) {
		t.Error("it tells of the daemon's token or of folders")
	}
	put(t, folder.Store(), "torn")
	if err := folder.Clear(); err != nil {
		t.Fatal(err)
	}
	if b := known(); !strings.Contains(b.Unknown, "could not be read") {
		t.Errorf("a torn store: %+v", b)
	}
}

// Whole or not at all: what was there stays where the new one cannot be, and nothing
// is left beside it.
func TestWholeOrNotAtAll(t *testing.T) {
	folder := t.TempDir()
	path := put(t, filepath.Join(folder, "report.html"), "old")
	if err := Write(path, []byte("new")); err != nil {
		t.Fatal(err)
	}
	if text, _ := os.ReadFile(path); string(text) != "new" {
		t.Errorf("it holds %q", text)
	}
	if err := Write(filepath.Join(folder, "none", "report.html"), nil); err == nil || !strings.Contains(err.Error(), "report.html") {
		t.Errorf("into a folder that is not there: %v", err)
	}
	blocked := filepath.Join(folder, "blocked.pdf")
	put(t, filepath.Join(blocked, "something"), "x")
	if err := Write(blocked, []byte("new")); err == nil || !strings.Contains(err.Error(), "blocked.pdf") {
		t.Errorf("in place of a folder: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(folder, ".*")); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	for name, on := range map[string]folio.Paper{"x.docx": folio.A4, "x": folio.A4, ".html.txt": folio.Letter, "x.pdf": "a5"} {
		if _, err := As(name, folio.Document{}, on); err == nil || !strings.Contains(err.Error(), "got") || !strings.Contains(err.Error(), "want") {
			t.Errorf("%s on %s: %v", name, on, err)
		}
	}
	for _, name := range []string{"X.PDF", "x.Html"} {
		if err := Writable(name, folio.A4); err != nil {
			t.Error(err)
		}
	}
}

// A file from elsewhere may be nobody's dossier: curves that have lost values are told
// of by their place, and one that holds next to nothing is a report of next to nothing.
func TestDossiersByHand(t *testing.T) {
	file := func(spoil func(*dossier.Dossier)) string {
		d := desktest.Past()[0]
		spoil(&d)
		text, err := dossier.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		return put(t, filepath.Join(t.TempDir(), "change.json"), string(text))
	}
	for want, spoil := range map[string]func(*dossier.Dossier){
		"captures[1].function: ": func(d *dossier.Dossier) {
			d.Captures = slices.Clone(d.Captures)
			d.Captures[1].Function.Coherence = d.Captures[1].Function.Coherence[1:]
		},
		"prediction: a curve of ": func(d *dossier.Dossier) { d.Prediction.Rear.P = d.Prediction.Rear.P[2:] },
	} {
		if _, err := Find(file(spoil), home.Folder{}); !errors.Is(err, dossier.ErrDamaged) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want it damaged at %q", err, want)
		}
	}
	s, err := Find(put(t, filepath.Join(t.TempDir(), "least.json"), `{"format":"hushback.dossier.v1","captures":[{}],"verdict":{"claims":[{}]},"sheet":{"settings":[{"output":9}]}}`), home.Folder{})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"least.html", "least.pdf"} {
		if text, err := As(name, Change(s.Change, s.Known(), Signed{}), folio.A4); err != nil || len(text) == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}
