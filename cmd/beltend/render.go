package main

import "errors"

type renderCmd struct{}

// Run draws the scene.
func (c *renderCmd) Run(std streams) error { return errors.New("not built yet") }
