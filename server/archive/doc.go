// Package archive keeps what was measured: sites, conveyors, belts and joints,
// photos, measurements, card sets, reviews, and the events that tell who did
// what, when and why.
//
// # Two ways to keep it, one archive
//
// Embedded, an archive is one folder: records.db (SQLite, write-ahead log,
// every commit synced), photos/ with files named by their SHA-256, and
// site.key. Scaled out, the records are in PostgreSQL and the photos in a
// store that speaks S3. Open takes an Address of either kind; package
// conformance holds both to the same behaviour.
//
// # Units
//
// Lengths in millimetres, angles in degrees (as in beltend.measurement/1).
// Times are UTC, kept to the microsecond.
//
// # What may change
//
// Photos, measurements, card checks, reviews and events are only ever added;
// the database itself refuses to change or delete their rows. A measurement
// made again stands beside the first and names it in Supersedes, or, where a later
// program or method is only to be compared, in Beside; where a reviewer makes such a
// result the answer, that is one more, which supersedes the first (Promote). Sites,
// conveyors, belts, joints, their plans and card sets may be changed: each carries
// a Version, a change must name the version it was made from (Conflict otherwise),
// and every state it ever had stays in the events.
//
// # What is taken away
//
// Nothing but the files of photos, by rules of retention (Retain), each with an
// event and a Removal of its own. The photo's record stays, so the chain, the
// results and the sign-offs still tell what there was. Verify and Check count such
// photos and do not miss them; Copy and Backup take the file away at the target too.
//
// # Who sees what
//
// Everything read by a person is asked for with Sites, the sites that person
// belongs to; a record of another site is NotFound, as if it did not exist.
// The zero Sites sees nothing.
//
// # Events
//
// Every change writes one event in its own transaction. Events are numbered
// from 1 without a gap and each carries the hash of the one before:
//
//	payload_sha256 = SHA-256(payload)
//	body = SHA-256(J{archive, name, nonce, payload_sha256, reason, site, subject, time, what, who})
//	hash = SHA-256(J{body, prev, schema: "beltend.event/1", seq})
//
// J is JSON canonicalised by RFC 8785; all members are strings but seq, a
// number; hashes are written as 64 lower-case hexadecimal digits; prev of event 1
// is 64 zeros; time is RFC 3339 in UTC with six decimals and Z. The payload is
// the record after the change as JSON, canonicalised by RFC 8785, in the form
// that its type has in this package; null where there is none. It is kept with the
// event, but for photos and measurements, whose own rows never change. A
// measurement's payload holds the SHA-256 of its result in place of the result
// itself. The random nonce lets an export withhold the body of another site's event
// without breaking the chain and without its content being guessed.
//
// The chain's Head (number and hash of the last event) vouches for everything
// before it: printed on a report, or signed with the site's Ed25519 key, it
// shows later whether anything was altered or taken away since.
//
// # Errors
//
// An error answers errors.Is for one Kind: NotFound, Conflict, Invalid,
// Damaged, Removed, Full, Unavailable. Message gives the sentence for the person who asked;
// the error's own text adds the cause, for the log. Neither names a person.
package archive
