package dashboard

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"strings"
	"sync"
	"time"

	"hushback/cmd/internal/dashboard/access"
	"hushback/control"
)

//go:embed web
var web embed.FS

// maxBody bounds every request body, in bytes; a form here holds one short value.
const maxBody = 4 << 10

// pressTime is how long a press may take to be accepted or refused.
const pressTime = 30 * time.Second

// Server is the page: an http.Handler over a Desk. It keeps sessions and live
// sockets, nothing of the rig.
type Server struct {
	desk    Desk
	door    *access.Door
	painter painter
	handler http.Handler
	live    liveSockets

	confirming sync.Mutex // one confirm at a time, so that a repeat sees the first one's end
	confirmed  string     // digest of the last confirm that the desk took
}

// New builds the page over a desk. The zero Access lets nobody in.
func New(desk Desk, who Access) *Server {
	s := &Server{desk: desk, door: access.New(who)}
	s.painter.templates = template.Must(template.New("").Funcs(words()).ParseFS(web, "web/*.html"))
	s.live.init()
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "this press came from another site")
	}))
	s.handler = http.MaxBytesHandler(cross.Handler(s.routes()), maxBody)
	return s
}

// ServeHTTP asks in this order: is the Host one of ours (a rebound name passes
// every later check), does a press come from this page, is the visitor paired.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	// Not "no-referrer": that makes a browser send "Origin: null" with a plain
	// form, which no check could tell from a foreign page. Either way nothing
	// is told to another site.
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if !s.door.Knows(r.Host) {
		http.Error(w, "this page does not answer to that host name", http.StatusMisdirectedRequest)
		return
	}
	s.handler.ServeHTTP(w, r)
}

// Close ends every live socket (1001, going away) and waits for them. A socket
// asked for afterwards is refused.
func (s *Server) Close() { s.live.close() }

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	files, err := fs.Sub(web, "web")
	if err != nil {
		panic(err) // the path is a constant of this file
	}
	static := http.FileServerFS(files)
	mux.Handle("GET /style.css", static)
	mux.Handle("GET /live.js", static)
	mux.HandleFunc("POST /pair", s.pair)

	mux.Handle("GET /{$}", s.paired(s.page))
	mux.Handle("GET /state.json", s.paired(s.report))
	mux.Handle("GET /live", s.paired(s.stream))
	mux.Handle("POST /safe-preset", s.press("#presets", alone(s.desk.StoreSafe)))
	mux.Handle("POST /dry-run", s.press("#dry-run", alone(s.desk.DryRun)))
	mux.Handle("POST /correct", s.press("#dry-run", alone(s.desk.Correct)))
	mux.Handle("POST /as-designed", s.press("#dry-run", alone(s.desk.AsDesigned)))
	mux.Handle("POST /dry-run-preset", s.press("#dry-run", named("name", "preset", s.desk.DryRunPreset)))
	mux.Handle("POST /use-as-safe", s.press("#presets", named("name", "preset", s.desk.UseAsSafe)))
	mux.Handle("POST /presets", s.press("#presets", s.savePreset))
	mux.Handle("POST /accept", s.press("#now", alone(s.desk.Accept)))
	mux.Handle("POST /put-back", s.press("#dry-run", alone(s.desk.PutBack)))
	mux.Handle("POST /placed", s.press("#now", named("microphone", "microphone", s.desk.Placed)))
	mux.Handle("POST /confirm", s.press("#send", s.confirm))
	mux.Handle("POST /keep", s.press("#verdict", s.keep))
	mux.Handle("POST /roll-back", s.press("#now", s.rollBack))
	mux.Handle("POST /safe", s.press("#now", alone(s.desk.Safe)))
	return mux
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

// pair answers with a session or says why not.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	switch no := s.door.Pair(w, r); {
	case no != nil:
		s.refuse(w, r, no.Status, no.Sentence)
	case readsPages(r):
		http.Redirect(w, r, "/", http.StatusSeeOther)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}

// paired lets only paired visitors through; everybody else sees the pairing page.
func (s *Server) paired(next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if no := s.door.Refuse(r); no != nil {
			s.refuse(w, r, no.Status, no.Sentence)
			return
		}
		next(w, r)
	})
}

// press hands one wish to the desk and answers the way the asker reads: a form
// gets the page again, anything else an empty answer or one sentence. A phone
// that drops off the network after pressing has pressed all the same.
func (s *Server) press(back string, wish func(context.Context, *http.Request) error) http.Handler {
	return s.paired(func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseForm(); err != nil {
			s.refuse(w, r, http.StatusBadRequest, "this press could not be read; reload the page and press again")
			return
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), pressTime)
		defer cancel()
		switch err := wish(ctx, r); {
		case err != nil:
			s.refuse(w, r, http.StatusConflict, "Refused: "+err.Error())
		case readsPages(r):
			http.Redirect(w, r, "/"+back, http.StatusSeeOther)
		default:
			w.WriteHeader(http.StatusNoContent)
		}
	})
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
	if v := s.desk.View(); digest == s.confirmed && (v.Doing != "" || flatten(v.State).Running) {
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

// readsPages tells a browser's form from a script or a program.
func readsPages(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "text/html")
}

func (s *Server) page(w http.ResponseWriter, _ *http.Request) {
	s.writePage(w, http.StatusOK, "")
}

// refuse answers a press that was not taken: on the page for a form, in one
// sentence for everybody else. It never shows more than the asker may see.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, sentence string) {
	if !readsPages(r) {
		http.Error(w, sentence, status)
		return
	}
	if _, known := s.door.Visitor(r); known {
		s.writePage(w, status, sentence)
		return
	}
	s.writePairing(w, status, sentence)
}
