//go:build !manual

// Command hushback sets up subwoofers beside a loudspeaker processor: it
// solves delay, polarity and gain, shows what it would send, sends it after a
// confirm, measures, and keeps what is proven or rolls back.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
