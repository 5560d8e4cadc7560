// Package plan works the rest of a joint out from values as people type them,
// on the command line or in a form, and from measurements already made: the
// hook plan, the two ends as a pair, and an end measured by hand. No pictures.
// An error is a *geometry.WrongValue, which names the setting, or a
// *result.Refusal.
package plan
