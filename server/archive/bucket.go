package archive

import (
	"context"
	"errors"
	"io"
	"net/url"
	"strings"
	"time"

	"github.com/aws/aws-sdk-go-v2/service/s3/types"
	"gocloud.dev/blob"
	_ "gocloud.dev/blob/s3blob" // s3://
	"gocloud.dev/gcerrors"
)

// bucket keeps files in a store that speaks S3, under their first two digits.
type bucket struct{ b *blob.Bucket }

func openBucket(ctx context.Context, at string) (*bucket, error) {
	if u, err := url.Parse(at); err != nil || u.Scheme != "s3" {
		return nil, fail(Invalid, "The photo store's address must look like s3://bucket?region=…&endpoint=…", nil)
	}
	b, err := blob.OpenBucket(ctx, at)
	if err != nil {
		return nil, fail(Invalid, "The photo store's address cannot be used", err)
	}
	return &bucket{b}, nil
}

func (s *bucket) key(sha256 string) string { return sha256[:2] + "/" + sha256 }

func (s *bucket) put(ctx context.Context, sha256 string, data []byte) error {
	if have, err := s.get(ctx, sha256); err == nil && len(have) == len(data) {
		return nil
	} else if err != nil && kindOf(err) != NotFound && kindOf(err) != Damaged {
		return err
	}
	// The store keeps the object whole or not at all.
	return s.away(ctx, s.b.WriteAll(ctx, s.key(sha256), data, &blob.WriterOptions{ContentType: "application/octet-stream", DisableContentTypeDetection: true}))
}

func (s *bucket) get(ctx context.Context, sha256 string) ([]byte, error) {
	if !isSHA256(sha256) {
		return nil, fail(NotFound, "There is no such photo.", nil)
	}
	data, err := s.b.ReadAll(ctx, s.key(sha256))
	if err = s.away(ctx, err); kindOf(err) == NotFound {
		return nil, fail(NotFound, "There is no such photo.", nil)
	}
	if err != nil {
		return nil, err
	}
	return checked(sha256, data)
}

func (s *bucket) remove(ctx context.Context, sha256 string) error {
	if !isSHA256(sha256) {
		return nil
	}
	return s.delete(ctx, s.key(sha256))
}

func (s *bucket) part(key, name string) string { return partsFolder + "/" + key + "/" + name }

func (s *bucket) putPart(ctx context.Context, key, name string, data []byte) error {
	return s.away(ctx, s.b.WriteAll(ctx, s.part(key, name), data, &blob.WriterOptions{ContentType: "application/octet-stream", DisableContentTypeDetection: true}))
}

func (s *bucket) parts(ctx context.Context, key string) (names []string, err error) {
	prefix := s.part(key, "")
	err = s.below(ctx, prefix, func(o *blob.ListObject) error {
		names = append(names, strings.TrimPrefix(o.Key, prefix))
		return nil
	})
	return names, err
}

func (s *bucket) getPart(ctx context.Context, key, name string) ([]byte, error) {
	data, err := s.b.ReadAll(ctx, s.part(key, name))
	if err = s.away(ctx, err); kindOf(err) == NotFound {
		return nil, fail(NotFound, "There is no such part.", nil)
	}
	return data, err
}

func (s *bucket) removePart(ctx context.Context, key, name string) error {
	return s.delete(ctx, s.part(key, name))
}

func (s *bucket) sweepParts(ctx context.Context, before time.Time) (swept int, err error) {
	err = s.below(ctx, partsFolder+"/", func(o *blob.ListObject) error {
		if !o.ModTime.Before(before) {
			return nil
		}
		swept++
		return s.delete(ctx, o.Key)
	})
	return swept, err
}

// delete deletes an object that need not be there.
func (s *bucket) delete(ctx context.Context, key string) error {
	err := s.away(ctx, s.b.Delete(ctx, key))
	if kindOf(err) == NotFound {
		return nil
	}
	return err
}

func (s *bucket) list(ctx context.Context, each func(string, int64) error) error {
	return s.below(ctx, "", func(o *blob.ListObject) error {
		if len(o.Key) == 67 && isSHA256(o.Key[3:]) {
			return each(o.Key[3:], o.Size)
		}
		return nil
	})
}

// below calls each for every object whose key begins so.
func (s *bucket) below(ctx context.Context, prefix string, each func(o *blob.ListObject) error) error {
	it := s.b.List(&blob.ListOptions{Prefix: prefix})
	for {
		o, err := it.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return unanswered(err)
		}
		if err := each(o); err != nil {
			return err
		}
	}
}

func (s *bucket) ping(ctx context.Context) error {
	ok, err := s.b.IsAccessible(ctx)
	if err == nil && !ok {
		return fail(Unavailable, "The photo store's bucket does not exist or may not be used.", nil)
	}
	return unanswered(err)
}

func (s *bucket) close() error { return s.b.Close() }

// away gives a photo store's error its kind. NotFound is what the bucket itself says of
// an object: where the bucket is away, or something else answers at its address (a proxy
// in front of a store that is down), "not found" says nothing about the photo.
func (s *bucket) away(ctx context.Context, err error) error {
	var noSuchKey *types.NoSuchKey
	if gcerrors.Code(err) != gcerrors.NotFound {
		return unanswered(err)
	}
	if !s.b.ErrorAs(err, &noSuchKey) { // a HEAD has no body that could say so
		if err := s.ping(ctx); err != nil {
			return err
		}
	}
	return fail(NotFound, "There is no such object.", nil)
}

// unanswered is the error of a store that failed to answer.
func unanswered(err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fail(Unavailable, "The photo store does not answer. Try again in a moment", err)
}
