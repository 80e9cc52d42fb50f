// Package sound is what excite and listen do: it pours test signals into a pipe,
// and carries a recorder's samples to a daemon.
package sound

import (
	"bufio"
	"context"
	"fmt"
	"io"

	"hushback/cmd/internal/pcm"
	"hushback/verify/excite"
)

// Pour writes frames of a signal, the same on every channel, until there were so
// many (less than 0: without end) or ctx ends, which is no error. raw leaves the
// WAV header out.
func Pour(ctx context.Context, w io.Writer, signal *excite.Signal, format pcm.Format, frames int64, raw bool) error {
	out := bufio.NewWriterSize(w, 1<<16)
	if !raw {
		out.Write(pcm.Header(format, frames)) // an error stays until Flush
	}
	part := make([]float64, format.Rate/10)
	var bytes []byte
	for frames != 0 && ctx.Err() == nil {
		n := int64(len(part))
		if frames > 0 {
			n = min(n, frames)
			frames -= n
		}
		signal.Read(part[:n])
		bytes = bytes[:0]
		for _, v := range part[:n] {
			for range format.Channels {
				bytes = format.Encoding.Append(bytes, v)
			}
		}
		if _, err := out.Write(bytes); err != nil {
			return fmt.Errorf("writing samples: %w", err)
		}
	}
	return out.Flush()
}
