package bus

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// inputsName is the bucket of input objects.
const inputsName = "RIMELINE_INPUTS"

// chunkBytes is the size of the messages of which an object consists. It is well
// below the server's limit of 1 MiB, and large, since every chunk is forced to
// the disk by itself.
const chunkBytes = 512 << 10

// Errors of objects.
var (
	// ErrNoObject: there is none of this name, or its time is over.
	ErrNoObject = errors.New("no such object")
	// ErrObjectDamaged: what the bucket gave is not what was put.
	ErrObjectDamaged = errors.New("object damaged")
	// ErrObjectTooLarge: it has more than Options.MaxObjectBytes.
	ErrObjectTooLarge = errors.New("object too large")
)

type inputsBucket struct {
	store  jetstream.ObjectStore
	stream jetstream.Stream
	age    time.Duration // of what it keeps, 0 for ever
}

func (b *Bus) ensureInputs(ctx context.Context) error {
	err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
		_, err := b.js.Stream(ctx, "OBJ_"+inputsName)
		if !errors.Is(err, jetstream.ErrStreamNotFound) {
			if err != nil {
				return err
			}
			return b.raiseNamed(ctx, "OBJ_"+inputsName)
		}
		_, err = b.js.CreateObjectStore(ctx, jetstream.ObjectStoreConfig{
			Bucket: inputsName, Description: "rimeline: cropped inputs", TTL: b.options.InputsAge,
			MaxBytes: b.share(b.options.InputsBytes), Storage: jetstream.FileStorage, Replicas: max(b.options.Replicas, 1),
		})
		if errors.Is(err, jetstream.ErrBucketExists) {
			err = nil
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("bucket %s: %w", inputsName, err)
	}
	return nil
}

// bucket finds the object bucket, once.
func (b *Bus) bucket(ctx context.Context) (*inputsBucket, error) {
	b.mu.Lock()
	known := b.inputs
	b.mu.Unlock()
	if known != nil {
		return known, nil
	}
	stream, err := b.js.Stream(ctx, "OBJ_"+inputsName)
	if err != nil {
		return nil, err
	}
	store, err := b.js.ObjectStore(ctx, inputsName)
	if err != nil {
		return nil, err
	}
	known = &inputsBucket{store, stream, stream.CachedInfo().Config.MaxAge}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.inputs = known
	return known, nil
}

// describe finds the bucket and what it knows of an object; nil where there is none.
func (b *Bus) describe(ctx context.Context, name string) (*inputsBucket, *jetstream.ObjectInfo, error) {
	ctx, end := context.WithTimeout(ctx, b.options.AttemptTime)
	defer end()
	bucket, err := b.bucket(ctx)
	if err != nil {
		return nil, nil, err
	}
	info, err := bucket.store.GetInfo(ctx, name)
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return bucket, nil, nil
	}
	return bucket, info, err
}

// transferTime is how long one attempt to move so many bytes may take: 1 MB/s is
// slow for a connection that is worth having.
func (b *Bus) transferTime(size int64) time.Duration {
	return b.options.AttemptTime + time.Duration(size)*time.Microsecond
}

func objectName(name string) error {
	if name == "" || len(name) > 512 || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return fmt.Errorf("object name %q is not 1 to 512 bytes without control characters", name)
	}
	return nil
}

// PutObject stores data under a name in the bucket of inputs, in place of what is
// there. Where the same content is there already and is not soon removed for its
// age, nothing is written, the headers neither. A bucket that is full refuses it
// with ErrFull.
func (b *Bus) PutObject(ctx context.Context, name string, data []byte, headers map[string]string) error {
	if err := objectName(name); err != nil {
		return err
	}
	if int64(len(data)) > b.options.MaxObjectBytes {
		return fmt.Errorf("object %s: %w: %d bytes, at most %d", name, ErrObjectTooLarge, len(data), b.options.MaxObjectBytes)
	}
	digest := digestOf(data)
	meta := jetstream.ObjectMeta{Name: name, Opts: &jetstream.ObjectMetaOptions{ChunkSize: chunkBytes}}
	if len(headers) > 0 {
		meta.Headers = nats.Header{}
		for key, value := range headers {
			meta.Headers.Set(key, value)
		}
	}
	each := b.transferTime(int64(len(data)))
	err := b.retryFor(ctx, b.options.RetryTime+each, each, func(ctx context.Context) error {
		bucket, info, err := b.describe(ctx, name)
		if err != nil {
			return err
		}
		if info != nil && info.Digest == digest && info.Size == uint64(len(data)) && (bucket.age <= 0 || time.Since(info.ModTime) < bucket.age/2) {
			return nil
		}
		return b.put(ctx, bucket, meta, data, digest, info)
	})
	if err != nil {
		return fmt.Errorf("object %s: %w", name, err)
	}
	return nil
}

// put writes the messages of an object as the library does, but its description
// only when all chunks are stored: the library's Put sends both together, and a
// bucket that is full then loses the object that was there and describes one that
// is not.
func (b *Bus) put(ctx context.Context, bucket *inputsBucket, meta jetstream.ObjectMeta, data []byte, digest string, replaced *jetstream.ObjectInfo) error {
	info := jetstream.ObjectInfo{Bucket: inputsName, NUID: nuid.Next(), ObjectMeta: meta, Size: uint64(len(data)), Digest: digest}
	var acknowledgements []jetstream.PubAckFuture
	var err error
	for chunk := range slices.Chunk(data, chunkBytes) {
		var acknowledgement jetstream.PubAckFuture
		if acknowledgement, err = b.js.PublishMsgAsync(&nats.Msg{Subject: chunkSubject(&info), Data: chunk}); err != nil {
			break
		}
		acknowledgements = append(acknowledgements, acknowledgement)
	}
	info.Chunks = uint32(len(acknowledgements))
	for _, acknowledgement := range acknowledgements {
		select {
		case <-acknowledgement.Ok():
		case failed := <-acknowledgement.Err():
			err = failed
		case <-ctx.Done():
			err = ctx.Err()
		}
		if err != nil {
			break
		}
	}
	purge := func(info *jetstream.ObjectInfo) {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.options.AttemptTime)
		defer cancel()
		_ = bucket.stream.Purge(ctx, jetstream.WithPurgeSubject(chunkSubject(info))) // else their age removes them
	}
	if err != nil {
		purge(&info)
		return err
	}
	description := nats.NewMsg("$O." + inputsName + ".M." + base64.URLEncoding.EncodeToString([]byte(meta.Name)))
	description.Header.Set(jetstream.MsgRollup, jetstream.MsgRollupSubject)
	if description.Data, err = json.Marshal(info); err != nil {
		return err
	}
	if _, err := b.js.PublishMsg(ctx, description); err != nil {
		return err // it may be stored: the chunks stay
	}
	if replaced != nil {
		purge(replaced)
	}
	return nil
}

func chunkSubject(info *jetstream.ObjectInfo) string { return "$O." + inputsName + ".C." + info.NUID }

func digestOf(data []byte) string {
	h := sha256.New()
	h.Write(data)
	return jetstream.GetObjectDigestValue(h)
}

// GetObject reads an object and holds it to the SHA-256 under which it was put.
func (b *Bus) GetObject(ctx context.Context, name string) ([]byte, error) {
	if err := objectName(name); err != nil {
		return nil, err
	}
	var data []byte
	replaced := 0
	each := b.transferTime(b.options.MaxObjectBytes)
	err := b.retryFor(ctx, b.options.RetryTime+each, each, func(ctx context.Context) error {
		bucket, info, err := b.describe(ctx, name)
		if err != nil {
			return err
		}
		if info == nil {
			return ErrNoObject
		}
		data, err = b.chunks(ctx, bucket, info)
		if errors.Is(err, ErrObjectDamaged) {
			// Replaced while it was read, or not yet whole on this node of a cluster?
			if replaced++; replaced < 5 {
				return fmt.Errorf("%v", err)
			}
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("object %s: %w", name, err)
	}
	return data, nil
}

// chunks reads the messages of an object one after the other, by direct requests:
// that needs no consumer, no right to make one, and ends where a chunk is missing.
func (b *Bus) chunks(ctx context.Context, bucket *inputsBucket, info *jetstream.ObjectInfo) ([]byte, error) {
	if info.Size > uint64(b.options.MaxObjectBytes) {
		return nil, fmt.Errorf("%w: %d bytes, at most %d", ErrObjectTooLarge, info.Size, b.options.MaxObjectBytes)
	}
	subject := jetstream.WithGetMsgSubject(chunkSubject(info))
	// The size is a claim: more than the first 16 MiB are allocated as they come.
	data := make([]byte, 0, min(info.Size, 16<<20))
	for sequence := uint64(1); uint64(len(data)) < info.Size; sequence++ {
		var message *jetstream.RawStreamMsg
		attempt, end := context.WithTimeout(ctx, b.options.AttemptTime)
		message, err := bucket.stream.GetMsg(attempt, sequence, subject)
		end()
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil, fmt.Errorf("%w: %d of %d bytes are there", ErrObjectDamaged, len(data), info.Size)
		}
		if err != nil {
			return nil, err
		}
		sequence = message.Sequence
		data = append(data, message.Data...)
	}
	if got := digestOf(data); got != info.Digest {
		return nil, fmt.Errorf("%w: %d bytes of %s, %d of %s were put", ErrObjectDamaged, len(data), got, info.Size, info.Digest)
	}
	return data, nil
}

// DeleteObject removes an object; one that is not there is no error.
func (b *Bus) DeleteObject(ctx context.Context, name string) error {
	if err := objectName(name); err != nil {
		return err
	}
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		bucket, err := b.bucket(ctx)
		if err != nil {
			return err
		}
		err = bucket.store.Delete(ctx, name)
		if errors.Is(err, jetstream.ErrObjectNotFound) {
			return nil
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("object %s: %w", name, err)
	}
	return nil
}

// Object is what the bucket knows of an object.
type Object struct {
	Name    string
	Bytes   uint64
	Digest  string // "SHA-256=" and base64 for URLs
	Stored  time.Time
	Headers map[string]string
}

// ListObjects lists the bucket of inputs by name.
func (b *Bus) ListObjects(ctx context.Context) ([]Object, error) {
	var objects []Object
	list := func(ctx context.Context) error {
		objects = nil
		first, end := context.WithTimeout(ctx, b.options.AttemptTime)
		defer end()
		bucket, err := b.bucket(first)
		if err != nil {
			return err
		}
		info, err := bucket.stream.Info(first, jetstream.WithSubjectFilter("$O."+inputsName+".M.>"))
		if err != nil {
			return err
		}
		for subject := range info.State.Subjects {
			message, err := bucket.stream.GetLastMsgForSubject(ctx, subject)
			if errors.Is(err, jetstream.ErrMsgNotFound) {
				continue
			}
			if err != nil {
				return err
			}
			var object jetstream.ObjectInfo
			if err := json.Unmarshal(message.Data, &object); err != nil || object.Deleted {
				continue // deleted, or put there by a stranger
			}
			headers := map[string]string{}
			for key := range object.Headers {
				headers[key] = object.Headers.Get(key)
			}
			objects = append(objects, Object{object.Name, object.Size, object.Digest, message.Time.UTC(), headers})
		}
		return nil
	}
	if err := b.retryFor(ctx, b.options.RetryTime, b.options.RetryTime/2, list); err != nil {
		return nil, fmt.Errorf("bucket %s: %w", inputsName, err)
	}
	slices.SortFunc(objects, func(a, b Object) int { return strings.Compare(a.Name, b.Name) })
	return objects, nil
}
