package dashboard

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/preset"
)

// longestName is how many letters the name of a preset may have here; more
// would not fit a phone.
const longestName = 60

// saying is what a press that was taken did, for the journal.
func saying(r *http.Request) string {
	name := r.PostForm.Get("name")
	switch r.URL.Path {
	case "/confirm":
		return "confirmed " + desk.Words(r.PostForm.Get("digest"))
	case "/keep":
		return "kept it"
	case "/roll-back":
		return "rolled it back"
	case "/safe":
		return "called for the safe preset"
	case "/safe-preset":
		return "stored what stands as the safe preset"
	case "/presets":
		return fmt.Sprintf("stored what stands as %q", name)
	case "/use-as-safe":
		return fmt.Sprintf("made %q the safe preset", name)
	case "/accept":
		return "accepted what somebody else changed"
	case "/adopt":
		return "adopted another design"
	case "/correct":
		return "took up the correction"
	case "/as-designed":
		return "went back to the design"
	case "/placed":
		return "said that the microphone stands at " + r.PostForm.Get("microphone")
	case "/take-over":
		return "took over the controls"
	}
	return "" // a dry run changes nothing
}

// note has the journal tell who pressed what.
func (s *Server) note(r *http.Request) {
	what := saying(r)
	who, known := s.door.Who(r)
	if what == "" || !known {
		return
	}
	by := who.Name
	if who.Program {
		by = "a program of this machine"
	}
	s.desk.Pressed(by, what)
}

// alone is a press that says nothing but itself.
func alone(wish func(context.Context) error) func(context.Context, *http.Request) error {
	return func(ctx context.Context, _ *http.Request) error { return wish(ctx) }
}

// named is a press that names, in a field of its form, what it is about.
func named(field, what string, wish func(context.Context, string) error) func(context.Context, *http.Request) error {
	return func(ctx context.Context, r *http.Request) error {
		name := r.PostForm.Get(field)
		if name == "" {
			return fmt.Errorf("this press names no %s; reload the page and press again", what)
		}
		return wish(ctx, name)
	}
}

// confirm passes the digest on. A phone that lost the answer presses again; a
// confirm works once, so the desk refuses that, although it is what stands.
func (s *Server) confirm(ctx context.Context, r *http.Request) error {
	digest := r.PostForm.Get("digest")
	if digest == "" {
		return errors.New("this confirm names no dry run; take a dry run first")
	}
	s.confirming.Lock()
	defer s.confirming.Unlock()
	blind := r.PostForm.Get("blind") == "yes"
	if err := agreed(s.desk.View(), digest, blind); err != nil {
		return err
	}
	err := s.desk.Confirm(ctx, digest, blind)
	if err == nil {
		s.confirmed = digest
		return nil
	}
	if v := s.desk.View(); digest == s.confirmed && (v.Doing != "" || desk.Flatten(v.State).Running) {
		return nil
	}
	return err
}

func (s *Server) keep(ctx context.Context, r *http.Request) error {
	return s.onChange(r, func(change string) error { return s.desk.Keep(ctx, change) },
		func(state control.State, change string) bool {
			kept, ok := state.(control.Kept)
			return ok && kept.Change == change
		})
}

func (s *Server) rollBack(ctx context.Context, r *http.Request) error {
	return s.onChange(r, func(change string) error { return s.desk.RollBack(ctx, change) },
		func(state control.State, change string) bool {
			back, ok := state.(control.RolledBack)
			return ok && back.Change == change
		})
}

// onChange passes a wish about a named change on. If it is refused although
// what it wished for already stands, it was a repeat, and all is well.
func (s *Server) onChange(r *http.Request, wish func(change string) error, stands func(control.State, string) bool) error {
	change := r.PostForm.Get("change")
	if change == "" {
		return errors.New("this press names no change; reload the page and press again")
	}
	if err := wish(change); err != nil && !stands(s.desk.View().State, change) {
		return err
	}
	return nil
}

// savePreset stores what stands under the name that the form gives.
func (s *Server) savePreset(ctx context.Context, r *http.Request) error {
	name := strings.Join(strings.Fields(r.PostForm.Get("name")), " ")
	switch {
	case name == "":
		return errors.New("this preset has no name; type one, then store it")
	case slices.Contains([]string{preset.Safe, preset.AsFound}, strings.ToLower(name)):
		return fmt.Errorf("%q is a preset of its own; choose another name", strings.ToLower(name))
	case utf8.RuneCountInString(name) > longestName:
		return fmt.Errorf("this name is too long; choose one of at most %d letters", longestName)
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return errors.New("this name has letters that cannot be shown; choose another")
	}
	return s.desk.SavePreset(ctx, name)
}

// agreed refuses a confirm of outputs that cannot be read back, unless the press
// says that this is known.
func agreed(v desk.View, digest string, blind bool) error {
	d := desk.Flatten(v.State).DryRun
	if blind || d == nil || d.Digest != digest || len(d.Blind) == 0 {
		return nil
	}
	return fmt.Errorf("%s cannot be read back; tick that you know it, then confirm again", figures.Outputs(d.Blind))
}
