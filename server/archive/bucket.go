package archive

import (
	"context"
	"errors"
	"io"
	"net/url"

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
	return away(s.b.WriteAll(ctx, s.key(sha256), data, &blob.WriterOptions{ContentType: "application/octet-stream", DisableContentTypeDetection: true}))
}

func (s *bucket) get(ctx context.Context, sha256 string) ([]byte, error) {
	if !isSHA256(sha256) {
		return nil, fail(NotFound, "There is no such photo.", nil)
	}
	data, err := s.b.ReadAll(ctx, s.key(sha256))
	if gcerrors.Code(err) == gcerrors.NotFound {
		return nil, fail(NotFound, "There is no such photo.", nil)
	}
	if err != nil {
		return nil, away(err)
	}
	return checked(sha256, data)
}

func (s *bucket) remove(ctx context.Context, sha256 string) error {
	if !isSHA256(sha256) {
		return nil
	}
	err := s.b.Delete(ctx, s.key(sha256))
	if gcerrors.Code(err) == gcerrors.NotFound {
		return nil
	}
	return away(err)
}

func (s *bucket) list(ctx context.Context, each func(string, int64) error) error {
	it := s.b.List(nil)
	for {
		o, err := it.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return away(err)
		}
		if len(o.Key) == 67 && isSHA256(o.Key[3:]) {
			if err := each(o.Key[3:], o.Size); err != nil {
				return err
			}
		}
	}
}

func (s *bucket) ping(ctx context.Context) error {
	ok, err := s.b.IsAccessible(ctx)
	if err == nil && !ok {
		return fail(Unavailable, "The photo store's bucket does not exist or may not be used.", nil)
	}
	return away(err)
}

func (s *bucket) close() error { return s.b.Close() }

// away gives a photo store's error its kind.
func away(err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fail(Unavailable, "The photo store does not answer. Try again in a moment", err)
}
