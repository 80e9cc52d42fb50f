package mending

import (
	"context"
	"errors"

	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/whatif"
	"hushback/engine"
)

// errBroken answers every wish that needs a site.
var errBroken = errors.New("the site file needs mending first: mend it, then start the daemon again")

// refuser is the part of a desk that needs a site.
type refuser struct{}

func (refuser) StoreSafe(context.Context) error               { return errBroken }
func (refuser) DryRun(context.Context) error                  { return errBroken }
func (refuser) Correct(context.Context) error                 { return errBroken }
func (refuser) AsDesigned(context.Context) error              { return errBroken }
func (refuser) Adopt(context.Context, engine.Site) error      { return errBroken }
func (refuser) Bench() whatif.Bench                           { return whatif.Bench{} }
func (refuser) Confirm(context.Context, string, bool) error   { return errBroken }
func (refuser) Keep(context.Context, string) error            { return errBroken }
func (refuser) RollBack(context.Context, string) error        { return errBroken }
func (refuser) Dossier(string) (d dossier.Dossier, err error) { return d, dossier.ErrUnknown }
func (refuser) Pressed(string, string)                        {} // the journal is closed, all but during the way back
func (refuser) Placed(context.Context, string) error          { return errBroken }
func (refuser) Accept(context.Context) error                  { return errBroken }
func (refuser) PutBack(context.Context) error                 { return errBroken }
func (refuser) SavePreset(context.Context, string) error      { return errBroken }
func (refuser) DryRunPreset(context.Context, string) error    { return errBroken }
func (refuser) UseAsSafe(context.Context, string) error       { return errBroken }
