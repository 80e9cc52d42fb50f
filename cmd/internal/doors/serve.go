package doors

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"
)

// stopWithin bounds how long a stop waits for open requests to end.
const stopWithin = 5 * time.Second

// Service is what answers at doors. Serve makes one.
type Service struct {
	server  *http.Server
	serving sync.WaitGroup
}

// Serve has a handler answer at all doors until Stop. A door that closes by itself
// is logged, as is what goes wrong with a connection.
func (d Doors) Serve(h http.Handler, log *slog.Logger) *Service {
	s := &Service{server: &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}}
	for _, listener := range d.Listeners {
		s.serving.Go(func() {
			if err := s.server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
				log.Error("the page ended", "error", err)
			}
		})
	}
	return s
}

// Stop closes the doors, gives open requests a moment to end, and hangs up on who
// is left.
func (s *Service) Stop() (err error) {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	if s.server.Shutdown(ctx) != nil { // somebody holds a connection open and says nothing
		err = s.server.Close()
	}
	s.serving.Wait()
	return err
}
