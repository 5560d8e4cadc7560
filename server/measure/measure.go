// Package measure runs the measurement chain: photo bytes, cards, edges,
// adjustment, squareness. The command line and the service call the same Run.
package measure

import (
	"context"

	"beltend/server/result"
)

// Input is one photo as received.
type Input struct {
	Name string
	Data []byte
}

// Progress is told the name of each step as it begins and how far the chain
// has come (0 to 1). It may be nil.
type Progress func(step string, done float64)

// Run measures one belt end from one or several photos. A refusal is returned
// as *result.Refusal; any other error is wrong usage (see UsageError) or a
// fault of the machine.
func Run(ctx context.Context, photos []Input, s result.Settings, p Progress) (*result.Measurement, error) {
	return nil, &result.Refusal{Code: "no_card", Message: "not built yet", Advice: "wait"}
}

// UsageError is a setting that makes no sense; Setting names it.
type UsageError struct{ Setting, Message string }

func (e *UsageError) Error() string { return e.Setting + ": " + e.Message }
