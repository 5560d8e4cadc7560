package measure

import (
	"context"
	"errors"
	"fmt"

	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
	"beltend/vision/photo"
)

// shot is one photo on its way through the chain.
type shot struct {
	name   string
	info   photo.Info
	pic    *vision.Picture
	cards  []vision.Card
	camera int
}

// intakeAll takes in the photos one after the other and tells how far it has
// come (0 to 1). The shots are the caller's to close; after an error none is
// open.
func intakeAll(ctx context.Context, photos []Input, refs vision.References, tick func(done float64)) ([]*shot, error) {
	var shots []*shot
	for i, in := range photos {
		err := ctx.Err()
		var sh *shot
		if err == nil {
			tick(float64(i) / float64(len(photos)))
			sh, err = intake(in, refs)
		}
		if err != nil {
			closeAll(shots)
			return nil, err
		}
		shots = append(shots, sh)
		if sh.plain() && len(photos) > 1 {
			closeAll(shots)
			return nil, report.Refuse("photos_not_connected", "sheet", in.Name, nil)
		}
	}
	return shots, nil
}

// plain reports whether the photo's reference is a plain sheet.
func (sh *shot) plain() bool { return sh.cards[0].Plain }

// closeAll frees the shots' pictures.
func closeAll(shots []*shot) {
	for _, sh := range shots {
		sh.pic.Close()
	}
}

// intake checks and decodes one photo and finds its cards.
func intake(in Input, refs vision.References) (*shot, error) {
	info, err := photo.Inspect(in.Data, photo.DefaultLimits())
	if err != nil {
		return nil, asRefusal(err, in.Name)
	}
	pic, err := vision.Open(in.Data, info)
	if err != nil {
		return nil, asRefusal(err, in.Name)
	}
	cards, err := vision.FindCards(pic, refs)
	if err != nil {
		pic.Close()
		return nil, asRefusal(err, in.Name)
	}
	var sharp []vision.Card
	for _, c := range cards {
		// A card whose own edges spread over more than a pixel in seven of a
		// square is blurred by motion or focus beyond what its corners can bear.
		if c.Blur <= maxBlurPx {
			sharp = append(sharp, c)
		}
	}
	if len(sharp) == 0 {
		pic.Close()
		return nil, report.Refuse("blurred", "", in.Name, result.Values{"blur_px": cards[0].Blur})
	}
	return &shot{name: in.Name, info: info, pic: pic, cards: sharp}, nil
}

// maxBlurPx is the widest edge spread (Gaussian sigma) that is measured. Good photos
// are below 1.7, those of low light too; one shaken by 16 px along a card's side, which
// spreads only half of its edges, is at 3.2.
const maxBlurPx = 3.0

// asRefusal turns a refusal of the lower packages into one that names the
// photo; other errors are faults and pass.
func asRefusal(err error, name string) error {
	var pe *photo.Error
	if errors.As(err, &pe) {
		return &result.Refusal{Code: pe.Code, Message: name + ": " + pe.Message, Advice: pe.Advice, Photo: name}
	}
	var ve *vision.Refused
	if errors.As(err, &ve) {
		return report.Refuse(ve.Code, ve.Reason, name, ve.Values)
	}
	return fmt.Errorf("%s: %w", name, err)
}
