package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/dossier"
)

// pastChange shows a change that is over; with ".json" behind its name it hands out all that
// is kept of it.
func (s *Server) pastChange(w http.ResponseWriter, r *http.Request) {
	if r.PathValue("change") == "all" {
		page, err := s.painter.AllPast(s.desk.View())
		s.writeOwn(w, r, page, err)
		return
	}
	change, asJSON := strings.CutSuffix(r.PathValue("change"), ".json")
	d, err := s.desk.Dossier(change)
	switch {
	case errors.Is(err, dossier.ErrUnknown):
		s.refuse(w, r, http.StatusNotFound, "Nothing is kept of this change: it may have been long ago. The log lists those of which something is.")
	case err != nil:
		s.refuse(w, r, http.StatusInternalServerError, err.Error())
	case asJSON:
		s.download(w, d)
	default:
		page, err := s.painter.Past(d)
		s.writeOwn(w, r, page, err)
	}
}

// writeOwn answers with a page that was drawn for this request, or says that it could
// not be.
func (s *Server) writeOwn(w http.ResponseWriter, r *http.Request, page pages.Page, err error) {
	if err != nil {
		answerWith(w, http.StatusOK, nil, err)
		return
	}
	s.writePage(w, r, page, http.StatusOK, "")
}

// download hands out a dossier as programs read it.
func (s *Server) download(w http.ResponseWriter, d dossier.Dossier) {
	text, err := dossier.Marshal(d)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", d.Change+".json"))
	w.Write(text) // an asker who has gone needs no answer
}
