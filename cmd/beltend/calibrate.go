package main

import (
	"context"
	"errors"
)

type calibrateCmd struct {
	Photos []string `arg:"" name:"photo" help:"Photos of cards from several sides, all with one camera at one zoom."`
	Out    string   `required:"" placeholder:"FILE" help:"Profile to write (.json)."`
}

// Run makes the profile.
func (c *calibrateCmd) Run(ctx context.Context, std streams) error {
	return errors.New("not built yet")
}
