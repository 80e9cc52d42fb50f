// Package osc turns OSC 1.0 bytes into messages and back, and carries them in
// datagrams. It knows nothing of loudspeakers.
package osc

// Message is one OSC message. Arguments are int32, int64, float32, float64,
// string, bool, nil or []byte; anything else is an error when encoding, so an
// argument's type tag is never guessed.
type Message struct {
	Address string
	Args    []any
}
