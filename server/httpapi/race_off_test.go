//go:build !race

package httpapi

const underRace = false
