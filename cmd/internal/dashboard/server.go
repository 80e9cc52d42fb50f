// Package dashboard is the daemon's page: what the person beside the stage sees and
// presses. It shows Views and hands presses to a Desk; it owns no state of the rig.
package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/dashboard/tryout"
	"hushback/cmd/internal/desk"
)

// maxBody bounds every request body, in bytes; a form here holds one short value.
const maxBody = 4 << 10

// pressTime is how long a press may take to be accepted or refused.
const pressTime = 30 * time.Second

// Server is the page: an http.Handler over a Desk. It keeps sessions and live
// pages, nothing of the rig.
type Server struct {
	desk      desk.Desk
	door      *access.Door
	painter   *pages.Painter
	tryout    *tryout.Tryout
	handler   http.Handler
	following livePages
	streams   eventStreams

	confirming sync.Mutex // one confirm at a time, so that a repeat sees the first one's end
	confirmed  string     // digest of the last confirm that the desk took
}

// New builds the page over a desk. The zero rules let nobody in.
func New(desk desk.Desk, who access.Rules) *Server {
	s := &Server{desk: desk, door: access.New(who), painter: pages.New(), tryout: tryout.New(desk.Bench())}
	s.following.init()
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "this press came from another site")
	}))
	s.handler = http.MaxBytesHandler(cross.Handler(squeezed(s.routes())), maxBody)
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

// Company counts pages that follow now, and phones that are paired.
func (s *Server) Company() (live, paired int) {
	c := s.door.Controls()
	if paired = c.Viewers; c.Held {
		paired++
	}
	return s.following.count(), paired
}

// Close ends every live page (1001, going away) and waits for them. One asked for
// afterwards is refused.
func (s *Server) Close() { s.following.close() }

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	static := kept(http.FileServerFS(pages.Files()))
	mux.Handle("GET /style.css", static)
	mux.Handle("GET /live.js", static)
	mux.Handle("GET /design.css", static)
	mux.Handle("GET /design.js", static)
	mux.HandleFunc("POST /pair", s.pair)

	mux.Handle("GET /{$}", s.paired(s.first))
	for _, page := range pages.All() {
		if page.Name != "design" {
			mux.Handle("GET /"+page.Name, s.paired(s.page(page)))
		}
	}
	mux.Handle("GET /design", s.paired(s.design))
	mux.Handle("GET /design/outcome", s.paired(s.outcome))
	mux.Handle("GET /design/picture", s.paired(s.drawing))
	mux.Handle("POST /adopt", s.press("settings#dry-run", s.adopt))
	mux.Handle("GET /log/{change}", s.paired(s.pastChange))
	mux.Handle("GET /state.json", s.paired(s.report))
	mux.Handle("GET /live", s.paired(s.live(openSocket)))
	mux.Handle("GET /events", s.paired(s.live(s.openEvents)))
	mux.Handle("POST /seen", s.paired(s.seen))
	mux.Handle("POST /unpair", s.paired(s.unpair))
	mux.Handle("POST /take-over", s.paired(s.takeOver))
	mux.Handle("POST /safe-preset", s.press("log#presets", alone(s.desk.StoreSafe)))
	mux.Handle("POST /dry-run", s.press("settings#dry-run", alone(s.desk.DryRun)))
	mux.Handle("POST /correct", s.press("settings#dry-run", alone(s.desk.Correct)))
	mux.Handle("POST /as-designed", s.press("settings#dry-run", alone(s.desk.AsDesigned)))
	mux.Handle("POST /dry-run-preset", s.press("settings#dry-run", named("name", "preset", s.desk.DryRunPreset)))
	mux.Handle("POST /use-as-safe", s.press("log#presets", named("name", "preset", s.desk.UseAsSafe)))
	mux.Handle("POST /presets", s.press("log#presets", s.savePreset))
	mux.Handle("POST /accept", s.press("log#now", alone(s.desk.Accept)))
	mux.Handle("POST /put-back", s.press("settings#dry-run", alone(s.desk.PutBack)))
	mux.Handle("POST /placed", s.press("measure#now", named("microphone", "microphone", s.desk.Placed)))
	mux.Handle("POST /confirm", s.press("send#send", s.confirm))
	mux.Handle("POST /keep", s.press("send#decide", s.keep))
	mux.Handle("POST /roll-back", s.press("send#decide", s.rollBack))
	mux.Handle("POST /safe", s.pressOfAll("send#now", alone(s.desk.Safe)))
	return mux
}

// pair answers with a session or says why not.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	if no := s.door.Pair(w, r); no != nil {
		s.refuse(w, r, no.Status, no.Sentence)
		return
	}
	taken(w, r, "")
}

// unpair ends the asker's session.
func (s *Server) unpair(w http.ResponseWriter, r *http.Request) {
	s.door.Unpair(w, r)
	taken(w, r, "")
}

// takeOver hands the controls to the asker.
func (s *Server) takeOver(w http.ResponseWriter, r *http.Request) {
	if no := s.door.TakeOver(r); no != nil {
		s.refuse(w, r, no.Status, no.Sentence)
		return
	}
	s.note(r)
	taken(w, r, "#controls")
}

// paired lets only paired visitors through; everybody else sees the pairing page.
func (s *Server) paired(next http.HandlerFunc) http.Handler { return s.past(s.door.Refuse, next) }

// past lets through whom nobody refuses.
func (s *Server) past(refuse func(*http.Request) *access.Refusal, next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if no := refuse(r); no != nil {
			s.refuse(w, r, no.Status, no.Sentence)
			return
		}
		next(w, r)
	})
}

// press hands a wish of whoever holds the controls to the desk.
func (s *Server) press(back string, wish func(context.Context, *http.Request) error) http.Handler {
	return s.past(s.door.RefuseToSteer, s.take(back, wish))
}

// pressOfAll hands a wish of anybody who is paired to the desk.
func (s *Server) pressOfAll(back string, wish func(context.Context, *http.Request) error) http.Handler {
	return s.paired(s.take(back, wish))
}

// take hands one wish to the desk and answers the way the asker reads. A phone
// that drops off the network after pressing has pressed all the same.
func (s *Server) take(back string, wish func(context.Context, *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseForm(); err != nil {
			s.refuse(w, r, http.StatusBadRequest, "this press could not be read; reload the page and press again")
			return
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), pressTime)
		defer cancel()
		if err := wish(ctx, r); err != nil {
			s.refuse(w, r, http.StatusConflict, "Refused: "+err.Error())
			return
		}
		s.note(r)
		taken(w, r, back)
	}
}

// taken answers a press that was taken: a form gets a page, anything else an empty
// answer.
func taken(w http.ResponseWriter, r *http.Request, back string) {
	if readsPages(r) {
		http.Redirect(w, r, "/"+back, http.StatusSeeOther)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// readsPages tells a browser's form from a script or a program.
func readsPages(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "text/html")
}

// first leads to the page where the next step is done.
func (s *Server) first(w http.ResponseWriter, r *http.Request) {
	http.Redirect(w, r, "/"+pages.First(s.desk.View()).Name, http.StatusSeeOther)
}

func (s *Server) page(page pages.Page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) { s.writePage(w, r, page, http.StatusOK, "") }
}

// seat is who asks, and who holds the controls; false for somebody who may not look.
func (s *Server) seat(r *http.Request) (pages.Seat, bool) {
	who, known := s.door.Who(r)
	return pages.Seat{Who: who, Controls: s.door.Controls()}, known
}

func (s *Server) writePage(w http.ResponseWriter, r *http.Request, page pages.Page, status int, answer string) {
	seat, _ := s.seat(r)
	var b bytes.Buffer
	answerWith(w, status, &b, s.painter.Write(&b, s.desk.View(), seat, page, answer))
}

// answerWith sends a page that was drawn, or says that it could not be.
func answerWith(w http.ResponseWriter, status int, page *bytes.Buffer, err error) {
	if err != nil {
		slog.Error("page", "err", err)
		http.Error(w, "the page could not be drawn", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	page.WriteTo(w) // an asker who has gone needs no answer
}

// report answers with the state as programs read it.
func (s *Server) report(w http.ResponseWriter, _ *http.Request) {
	text, err := json.Marshal(desk.ReportOf(s.desk.View()))
	if err != nil {
		http.Error(w, "the state could not be written: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(append(text, '\n')) // an asker who has gone needs no answer
}

// refuse answers a press that was not taken: on the page for a form, in one
// sentence for everybody else. It never shows more than the asker may see.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, sentence string) {
	if !readsPages(r) {
		http.Error(w, sentence, status)
		return
	}
	if _, known := s.door.Who(r); known {
		s.writePage(w, r, pages.First(s.desk.View()), status, sentence)
		return
	}
	var b bytes.Buffer
	answerWith(w, status, &b, s.painter.WritePairing(&b, sentence))
}
