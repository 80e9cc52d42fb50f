package dashboard

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/dashboard/tryout"
)

// tryTime is how long a what-if may take, a search among it.
const tryTime = 20 * time.Second

// keptFor is how long a phone may keep a picture: its address names the site and all
// that was wished for.
const keptFor = "private, max-age=600"

// asker is who tries things out, and how: what one phone asks is done in turn.
func (s *Server) asker(r *http.Request) tryout.Asker {
	phone := s.caller(r)
	return tryout.Asker{Phone: phone, View: s.desk.View(), Moving: r.FormValue("moving") != "", Sharp: r.FormValue("sharp") != ""}
}

// caller names the phone that asks; programs share a name.
func (s *Server) caller(r *http.Request) string {
	if who, known := s.door.Who(r); known {
		return who.Name
	}
	return ""
}

// trial works out what a request wishes for.
func (s *Server) trial(r *http.Request) (tryout.Trial, error) {
	ctx, cancel := context.WithTimeout(r.Context(), tryTime)
	defer cancel()
	return s.tryout.Trial(ctx, s.asker(r), r.URL.Query())
}

// design writes the design page with its what-if.
func (s *Server) design(w http.ResponseWriter, r *http.Request) {
	page, _ := pages.Find("design")
	if len(s.desk.View().Broken) > 0 { // nothing to try out
		s.writePage(w, r, page, http.StatusOK, "")
		return
	}
	trial, err := s.trial(r)
	if err != nil {
		s.tryFailed(w, err)
		return
	}
	own, err := s.painter.Trial(trial)
	if err != nil {
		answerWith(w, http.StatusInternalServerError, nil, err)
		return
	}
	s.writePage(w, r, page.With(own), http.StatusOK, "")
}

// outcome writes what comes out of a wish, for a page that is open.
func (s *Server) outcome(w http.ResponseWriter, r *http.Request) {
	trial, err := s.trial(r)
	if err != nil {
		s.tryFailed(w, err)
		return
	}
	var b bytes.Buffer
	answerWith(w, http.StatusOK, &b, s.painter.WriteOutcome(&b, trial.Outcome))
}

// drawing writes one picture of what a request wishes for.
func (s *Server) drawing(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), tryTime)
	defer cancel()
	picture, err := s.tryout.Picture(ctx, s.asker(r), r.URL.Query())
	if err != nil {
		s.tryFailed(w, err)
		return
	}
	w.Header().Set("Content-Type", "image/png")
	w.Header().Set("Cache-Control", keptFor)
	w.Write(picture) // an asker who has gone needs no answer
}

// tryFailed answers what could not be worked out, in one sentence.
func (s *Server) tryFailed(w http.ResponseWriter, err error) {
	status := http.StatusUnprocessableEntity
	switch {
	case errors.Is(err, tryout.ErrOvertaken):
		status = http.StatusConflict
	case errors.Is(err, tryout.ErrCrowded):
		status = http.StatusTooManyRequests
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		status, err = http.StatusServiceUnavailable, errors.New("this took too long: ask again")
	}
	http.Error(w, err.Error(), status)
}

// adopt makes what was tried out the site that the daemon goes by.
func (s *Server) adopt(ctx context.Context, r *http.Request) error {
	q, err := url.ParseQuery(r.PostFormValue("wish"))
	if err != nil || len(q) == 0 {
		return errors.New("it is not said what to adopt; reload the page and press again")
	}
	site, err := s.tryout.Site(s.desk.View(), q)
	if err != nil {
		return err
	}
	return s.desk.Adopt(ctx, site)
}
