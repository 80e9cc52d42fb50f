package cli

import (
	"io"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
)

// redrawn is how often a bar is drawn at most: often enough for the eye.
const redrawn = 50 * time.Millisecond

// Progress shows on a terminal's last line how far long work is. Elsewhere, and
// where it is nil, it says nothing.
type Progress struct {
	terminal io.Writer // nil where nobody looks
	mu       sync.Mutex
	doing    string
	of       int
	bar      *progressbar.ProgressBar // nil while there is nothing to show
}

// NewProgress is one that draws on w if that is a terminal.
func NewProgress(w io.Writer) *Progress {
	if !IsTerminal(w) {
		return &Progress{}
	}
	return &Progress{terminal: w}
}

// Show says that so much of something is done; from any goroutine.
func (p *Progress) Show(doing string, done, of int) {
	if p == nil || p.terminal == nil || of <= 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar == nil || p.doing != doing || p.of != of {
		p.clear()
		p.doing, p.of = doing, of
		p.bar = progressbar.NewOptions(of, progressbar.OptionSetWriter(p.terminal), progressbar.OptionSetDescription(doing),
			progressbar.OptionSetWidth(24), progressbar.OptionShowCount(), progressbar.OptionSetPredictTime(false),
			progressbar.OptionThrottle(redrawn),
			progressbar.OptionSetTheme(progressbar.Theme{Saucer: "=", SaucerPadding: ".", BarStart: "[", BarEnd: "]"}))
	}
	if done < of { // else it would end here, and a search that begins again not be seen
		_ = p.bar.Set(done) // a terminal that went away is no reason to stop working
	}
}

// Clear takes the bar away, before anything else is written there.
func (p *Progress) Clear() {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
}

func (p *Progress) clear() {
	if p.bar != nil {
		_ = p.bar.Clear()
		p.bar = nil
	}
}
