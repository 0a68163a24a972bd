package bus

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
)

// certificates writes an authority (ca.pem), and a server's certificate of it for
// 127.0.0.1 that routes may show as clients.
func certificates(t testing.TB, dir string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	write := func(name, kind string, der []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	authority := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	server := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "test server"}, NotBefore: authority.NotBefore, NotAfter: authority.NotAfter,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	key := func() *ecdsa.PrivateKey {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	authorityKey, serverKey := key(), key()
	for _, one := range []struct {
		name     string
		template *x509.Certificate
		key      *ecdsa.PrivateKey
	}{{"ca.pem", authority, authorityKey}, {"server.pem", server, serverKey}} {
		der, err := x509.CreateCertificate(rand.Reader, one.template, authority, &one.key.PublicKey, authorityKey)
		if err != nil {
			t.Fatal(err)
		}
		write(one.name, "CERTIFICATE", der)
	}
	der, err := x509.MarshalECPrivateKey(serverKey)
	if err != nil {
		t.Fatal(err)
	}
	write("server-key.pem", "EC PRIVATE KEY", der)
}

const examples = "../../cmd/examples"

// sampleServer is the folder of the sample configuration as a system administrator
// makes it: the files as they are, certificates, and keys in the place of the
// placeholders. Seeds are in <user>.nk.
func sampleServer(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	files, err := filepath.Glob(filepath.Join(examples, "nats-*.conf"))
	if err != nil || len(files) < 6 {
		t.Fatalf("sample configuration: %v %v", files, err)
	}
	for _, name := range files {
		content, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.ReplaceAll(string(content), "/etc/nats/", dir+"/")
		text = strings.ReplaceAll(text, `"rimeline.REPLACE-WITH-PROGRAMME.`, `"rimeline.larkspur.`)
		for _, user := range []string{"setup", "worker", "reader", "archive", "alert-route", "duty", "site-gateway", "operator"} {
			placeholder := "REPLACE-WITH-PUBLIC-KEY-OF-" + user
			if !strings.Contains(text, placeholder) {
				continue
			}
			pair, err := nkeys.CreateUser()
			if err != nil {
				t.Fatal(err)
			}
			public, err := pair.PublicKey()
			if err != nil {
				t.Fatal(err)
			}
			seed, err := pair.Seed()
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, user+".nk"), seed, 0o600); err != nil {
				t.Fatal(err)
			}
			text = strings.Replace(text, placeholder, public, 1)
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	certificates(t, filepath.Join(dir, "tls"))
	return dir
}

// as connects as a user of the sample configuration.
func as(t testing.TB, dir, address, user string, o Options) *Bus {
	t.Helper()
	o.Name, o.NKeyFile, o.InboxPrefix, o.CAFile = user, filepath.Join(dir, user+".nk"), "_INBOX_"+user, filepath.Join(dir, "tls", "ca.pem")
	if user == "setup" {
		o.InboxPrefix = ""
	}
	b, err := Connect(t.Context(), address, o)
	if err != nil {
		t.Fatalf("%s: %v", user, err)
	}
	t.Cleanup(b.Close)
	return b
}

// Each user of the sample configuration may do what it is for, over TLS, and
// nothing else.
func TestSampleConfiguration(t *testing.T) {
	t.Parallel() // what is forbidden is not answered: it mostly waits
	dir := sampleServer(t)
	tls := filepath.Join(dir, "tls")
	s, err := EmbeddedWith(t.TempDir(), ServerOptions{
		ConfigFile: filepath.Join(dir, "nats-users.conf"), Listen: "127.0.0.1:0",
		CertFile: filepath.Join(tls, "server.pem"), KeyFile: filepath.Join(tls, "server-key.pem"),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	address := s.Address()
	if !strings.HasPrefix(address, "tls://127.0.0.1:") {
		t.Fatalf("address %s", address)
	}
	o := Options{AttemptTime: 150 * time.Millisecond}
	user := func(name string) *Bus { return as(t, dir, address, name, o) }
	setup, worker, reader, route, duty, gateway := user("setup"), user("worker"), user("reader"), user("alert-route"), user("duty"), user("site-gateway")
	archive := user("archive")
	ctx := t.Context()
	may := func(user, what string, err error) {
		t.Helper()
		if err != nil {
			t.Errorf("%s may not %s: %v", user, what, err)
		}
	}
	mayNot := func(user, what string, err error) {
		t.Helper()
		if !errors.Is(err, nats.ErrPermissionViolation) {
			t.Errorf("%s may %s: %v", user, what, err)
		}
	}
	// try is for what Bus has no method for.
	try := func(b *Bus, f func(context.Context) error) error { return b.retry(ctx, 5*time.Second, f) }
	followed := func(b *Bus, kind Kind) error {
		ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
		defer cancel()
		for _, err := range b.Follow(ctx, FollowOptions{Kinds: []Kind{kind}, Since: FromAll}) {
			return err
		}
		return errors.New("nothing follows")
	}
	latest := func(b *Bus, kind Kind) error {
		_, found, err := b.Latest(ctx, kind, "larkspur", "saddlehorn")
		if err == nil && !found {
			err = errors.New("not found")
		}
		return err
	}
	published := func(b *Bus, e Event) error {
		_, err := b.Publish(ctx, e)
		return err
	}
	submitted := func(b *Bus, id string) error {
		_, err := b.Submit(ctx, job(id, 1))
		return err
	}
	state := func(b *Bus) error {
		_, err := b.QueueState(ctx, QueueAssess)
		return err
	}
	worked := func(b *Bus, handled error) error {
		ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
		defer cancel()
		settled := false
		err := b.Work(ctx, QueueAssess, WorkOptions{OnEvent: func(e WorkEvent) {
			if e.Stage == WorkDone || e.Stage == WorkDead {
				settled = true
				cancel()
			}
		}}, func(context.Context, Job, int) error { return handled })
		if err == nil && !settled {
			err = errors.New("no job was settled")
		}
		return err
	}

	// Setup makes everything; whoever runs roles can look at it.
	may("setup", "make streams", setup.EnsureStreams(ctx))
	may("setup", "make queues", setup.EnsureQueues(ctx))
	for _, b := range []*Bus{worker, route, archive} {
		may(b.options.Name, "look at streams", b.EnsureStreams(ctx))
		may(b.options.Name, "look at queues", b.EnsureQueues(ctx))
		may(b.options.Name, "see the queue", state(b))
	}

	// Every kind, and the users who may publish it.
	publishers := map[string][]*Bus{
		"score": {worker}, "outlook": {worker}, "input": {worker}, "conditions": {worker}, "hold": {worker}, "dead-letter": {worker},
		"order": {duty}, "release": {duty}, "ack": {duty, route}, "telemetry": {gateway},
		"alert": {route}, "cap": {route}, "delivery": {route}, "advice": {route}, "health": {worker, route, archive},
	}
	events := map[string]Event{}
	for _, kind := range Kinds() {
		e := kindMessage(t, kind, "saddlehorn")
		events[kind.Name] = e
		for _, b := range []*Bus{worker, reader, archive, route, duty, gateway} {
			if slices.Contains(publishers[kind.Name], b) {
				may(b.options.Name, "publish to "+e.Subject, published(b, e))
			} else {
				mayNot(b.options.Name, "publish to "+e.Subject, published(b, e))
			}
		}
		if len(publishers[kind.Name]) == 0 {
			t.Errorf("nobody publishes %s", kind.Name)
		}
		// And the newest of each, where there is one.
		keeper := publishers[kind.Name][0]
		if kind.Latest == "" {
			continue
		}
		for _, b := range []*Bus{worker, reader, archive, route, duty} {
			if b == keeper {
				may(b.options.Name, "set the newest "+kind.Name, b.PutLatest(ctx, e))
			} else {
				newer := e
				newer.Time = newer.Time.Add(time.Minute)
				mayNot(b.options.Name, "set the newest "+kind.Name, b.PutLatest(ctx, newer))
			}
		}
	}
	// A gateway: what it has, on its own programme, and no more.
	raw := func(subject string) error {
		return try(gateway, func(ctx context.Context) error {
			_, err := gateway.js.Publish(ctx, subject, []byte(`{"battery_v":12.4}`))
			return err
		})
	}
	may("site-gateway", "publish bare JSON", raw("rimeline.larkspur.telemetry.saddlehorn"))
	for _, subject := range []string{
		"rimeline.columbine.telemetry.saddlehorn", "rimeline.larkspur.telemetry", "rimeline.larkspur.telemetry.saddlehorn.x", "rimeline.jobs.ingest.larkspur", "$KV.RIMELINE_STATE.alerts.larkspur",
	} {
		mayNot("site-gateway", "publish to "+subject, raw(subject))
	}
	mayNot("site-gateway", "see what streams there are", func() error { _, err := gateway.LastSequence(ctx, Telemetry); return err }())
	mayNot("site-gateway", "look at streams", gateway.EnsureStreams(ctx))

	// The worker.
	may("worker", "submit", submitted(worker, "one"))
	may("worker", "work", worked(worker, nil))
	may("worker", "submit", submitted(worker, "two"))
	may("worker", "bury", worked(worker, Permanent(errors.New("hopeless"))))
	may("worker", "see the queue", state(worker))
	may("worker", "put an object", worker.PutObject(ctx, "crop", noise(chunkBytes+1), nil))
	may("worker", "replace an object", worker.PutObject(ctx, "crop", noise(chunkBytes), nil))
	if info := inputsStream(t, worker).CachedInfo(); info.State.Msgs != 2 {
		t.Errorf("%d messages of one object of one chunk: the replaced one was not removed", info.State.Msgs)
	}
	lease, err := worker.Acquire(ctx, "programme.larkspur", "lodge", time.Minute)
	may("worker", "take a lease", err)
	if err == nil {
		may("worker", "renew a lease", lease.Renew(ctx))
		may("worker", "release a lease", lease.Release(ctx))
	}
	// Who reads which kinds: reader, archive and duty all.
	notFor := map[*Bus][]string{
		worker: {"cap", "advice"},
		route:  {"input", "conditions", "order", "telemetry", "cap", "dead-letter"},
	}
	for _, kind := range Kinds() {
		for _, b := range []*Bus{worker, reader, archive, route, duty} {
			user := b.options.Name
			if slices.Contains(notFor[b], kind.Name) {
				mayNot(user, "follow "+kind.Name, followed(b, kind))
				continue
			}
			may(user, "follow "+kind.Name, followed(b, kind))
			_, err := b.LastSequence(ctx, kind)
			may(user, "ask for the last "+kind.Name, err)
			n := 0
			if b == archive { // it follows: single messages are none of its rights
				continue
			}
			for _, err := range b.ReadBack(ctx, kind) {
				may(user, "read back "+kind.Name, err)
				n++
			}
			if n == 0 {
				t.Errorf("%s reads no %s back", user, kind.Name)
			}
			for _, err := range b.ReadSince(ctx, kind, "", "", time.Time{}) {
				may(user, "read since "+kind.Name, err)
			}
		}
		mayNot("site-gateway", "follow "+kind.Name, followed(gateway, kind))
	}

	// Not even the worker removes what was published, or changes a stream; the archive
	// may empty some, see below.
	for _, b := range []*Bus{worker, reader, route, duty, archive} {
		user := b.options.Name
		mayNot(user, "make a stream", try(b, func(ctx context.Context) error {
			_, err := b.js.CreateStream(ctx, jetstream.StreamConfig{Name: "OTHER", Subjects: []string{"other"}})
			return err
		}))
		mayNot(user, "delete a stream", try(b, func(ctx context.Context) error { return b.js.DeleteStream(ctx, Score.Stream) }))
		mayNot(user, "delete the queue's consumer", try(b, func(ctx context.Context) error {
			return b.js.DeleteConsumer(ctx, QueueAssess.stream(), queueConsumer)
		}))
		if stream, err := b.js.Stream(ctx, Score.Stream); err != nil {
			t.Error(err)
		} else {
			if b != archive {
				mayNot(user, "empty a stream", try(b, func(ctx context.Context) error { return stream.Purge(ctx) }))
			}
			mayNot(user, "remove a message", try(b, func(ctx context.Context) error { return stream.DeleteMsg(ctx, 1) }))
		}
		// Answers to others, and what is published, cannot be listened to on the side.
		for _, subject := range []string{"_INBOX_setup.>", "_INBOX.>", "$JS.ACK.>", ">"} {
			before := b.refused.Load()
			subscription, err := b.connection.SubscribeSync(subject)
			if err != nil {
				t.Error(err)
				continue
			}
			eventually(t, user+" is refused "+subject, func() bool { return b.refused.Load() != before })
			_ = subscription.Unsubscribe() // it is void
		}
	}

	// Whoever does not do the work has no part in queues, objects and schedules.
	for _, b := range []*Bus{reader, route, duty} {
		user := b.options.Name
		for _, kind := range []Kind{Score, Outlook, Hold, Advice} {
			may(user, "read the newest "+kind.Name, latest(b, kind))
		}
		mayNot(user, "submit", submitted(b, "three"))
		mayNot(user, "work", worked(b, nil))
		mayNot(user, "put an object", b.PutObject(ctx, "other", noise(10), nil))
		mayNot(user, "delete an object", b.DeleteObject(ctx, "crop"))
		_, err := b.Acquire(ctx, "programme.larkspur", "thief", 5*time.Second)
		mayNot(user, "take a lease", err)
	}
	for _, b := range []*Bus{reader, duty} {
		user := b.options.Name
		may(user, "read the newest conditions", latest(b, Conditions))
		got, err := b.GetObject(ctx, "crop")
		may(user, "read an object", err)
		if len(got) != chunkBytes {
			t.Errorf("object of %d bytes", len(got))
		}
		objects, err := b.ListObjects(ctx)
		may(user, "list objects", err)
		if len(objects) != 1 {
			t.Errorf("objects %v", objects)
		}
		may(user, "see the queue", state(b))
		_, err = b.Acquire(ctx, "alerts.larkspur", "thief", 5*time.Second)
		mayNot(user, "take a lease of alerts", err)
	}

	// The archive keeper: objects and a lease of its own, and the streams that it trims.
	for _, kind := range []Kind{Score, Outlook, Conditions, Hold, Advice} {
		mayNot("archive", "read the newest "+kind.Name, try(archive, func(ctx context.Context) error {
			bucket, err := archive.js.KeyValue(ctx, kind.Latest)
			if err == nil {
				_, err = bucket.Get(ctx, "larkspur.saddlehorn")
			}
			return err
		}))
	}
	mayNot("archive", "submit", submitted(archive, "three"))
	mayNot("archive", "work", worked(archive, nil))
	mayNot("archive", "put an object", archive.PutObject(ctx, "other", noise(10), nil))
	mayNot("archive", "delete an object", archive.DeleteObject(ctx, "crop"))
	for _, name := range []string{"programme.larkspur", "alerts.larkspur"} {
		_, err := archive.Acquire(ctx, name, "thief", 5*time.Second)
		mayNot("archive", "take the lease "+name, err)
	}
	for _, b := range []*Bus{worker, reader, route, duty} {
		_, err := b.Acquire(ctx, "archive", "thief", 5*time.Second)
		mayNot(b.options.Name, "take the lease of the archive", err)
	}
	content, err := archive.GetObject(ctx, "crop")
	may("archive", "read an object", err)
	if len(content) != chunkBytes {
		t.Errorf("object of %d bytes", len(content))
	}
	lease, err = archive.Acquire(ctx, "archive", "lodge", time.Minute)
	may("archive", "take its lease", err)
	if err == nil {
		may("archive", "renew its lease", lease.Renew(ctx))
		may("archive", "release its lease", lease.Release(ctx))
	}

	// The alert route has states and leases of its own, and no objects.
	_, err = route.GetObject(ctx, "crop")
	mayNot("alert-route", "read an object", err)
	for _, b := range []*Bus{worker, route} { // their pages show all of these
		for _, kind := range []Kind{Score, Outlook, Conditions, Hold, Advice} {
			may(b.options.Name, "read the newest "+kind.Name, latest(b, kind))
		}
	}
	lease, err = route.Acquire(ctx, "alerts.larkspur", "lodge", time.Minute)
	may("alert-route", "take a lease of alerts", err)
	if err == nil {
		may("alert-route", "renew a lease", lease.Renew(ctx))
		may("alert-route", "release a lease", lease.Release(ctx))
	}
	patient := as(t, dir, address, "alert-route", Options{}) // what is allowed may take its time
	for _, value := range [][]byte{noise(2_000_000), noise(3_000_000), []byte("small")} {
		may("alert-route", "keep a state", patient.PutState(ctx, "alerts.larkspur", value))
		got, found, err := patient.GetState(ctx, "alerts.larkspur")
		may("alert-route", "read a state", err)
		if !found || !bytes.Equal(got, value) {
			t.Errorf("state of %d bytes, found %v", len(got), found)
		}
	}
	keys, err := route.ListState(ctx, "")
	may("alert-route", "list states", err)
	if left := stateMessages(t, route); len(keys) != 1 || left != 1 {
		t.Errorf("states %v in %d messages: parts that were replaced are not removed", keys, left)
	}
	for _, b := range []*Bus{worker, reader, archive, duty} {
		user := b.options.Name
		_, _, err := b.GetState(ctx, "alerts.larkspur")
		mayNot(user, "read a state", err)
		mayNot(user, "change a state", b.PutState(ctx, "new.larkspur", []byte("x")))
		mayNot(user, "remove states", try(b, func(ctx context.Context) error {
			stream, err := b.js.Stream(ctx, stateStream)
			if err != nil {
				return err
			}
			return stream.Purge(ctx)
		}))
	}
	may("alert-route", "remove a state", route.DeleteState(ctx, "alerts.larkspur"))
	mayNot("alert-route", "remove objects", try(route, func(ctx context.Context) error {
		stream, err := route.js.Stream(ctx, "OBJ_"+inputsName)
		if err != nil {
			return err
		}
		return stream.Purge(ctx)
	}))
	_, err = worker.Acquire(ctx, "alerts.larkspur", "thief", 5*time.Second)
	mayNot("worker", "take a lease of alerts", err)

	// What is archived and old goes off some streams, off others never.
	trimmed := []string{"score", "outlook", "input", "conditions", "telemetry", "cap", "delivery", "health"}
	for _, kind := range Kinds() {
		last, err := archive.LastSequence(ctx, kind)
		may("archive", "ask for the last "+kind.Name, err)
		removed, err := archive.Trim(ctx, kind, last, time.Now().Add(time.Hour))
		if !slices.Contains(trimmed, kind.Name) {
			mayNot("archive", "trim "+kind.Name, err)
			continue
		}
		may("archive", "trim "+kind.Name, err)
		if removed == 0 {
			t.Errorf("trimming %s removed nothing", kind.Name)
		}
	}
	for _, stream := range []string{"OBJ_" + inputsName, stateStream, QueueAssess.stream(), "KV_" + leaseBucket, "KV_" + Score.Latest} {
		mayNot("archive", "empty "+stream, try(archive, func(ctx context.Context) error {
			of, err := archive.js.Stream(ctx, stream)
			if err != nil {
				return err
			}
			return of.Purge(ctx)
		}))
	}

	// The process of the server itself needs no key.
	own, err := s.Connect(ctx, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()
	may("the server's process", "publish", published(own, event(t, "tin-kettle", releaseTime, 1)))
}

func TestConnectionsAreRefused(t *testing.T) {
	dir := sampleServer(t)
	tls := filepath.Join(dir, "tls")
	s, err := EmbeddedWith(t.TempDir(), ServerOptions{
		ConfigFile: filepath.Join(dir, "nats-users.conf"), Listen: "127.0.0.1:0",
		CertFile: filepath.Join(tls, "server.pem"), KeyFile: filepath.Join(tls, "server-key.pem"),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	other := t.TempDir()
	certificates(t, other)
	stranger, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	seed, err := stranger.Seed()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(other, "stranger.nk"), seed, 0o600); err != nil {
		t.Fatal(err)
	}
	ca, worker := filepath.Join(tls, "ca.pem"), filepath.Join(dir, "worker.nk")
	for name, o := range map[string]Options{
		"no key":                  {CAFile: ca},
		"a key of nobody":         {CAFile: ca, NKeyFile: filepath.Join(other, "stranger.nk")},
		"no authority":            {NKeyFile: worker},
		"another authority":       {CAFile: filepath.Join(other, "ca.pem"), NKeyFile: worker},
		"no such file":            {CAFile: ca, NKeyFile: filepath.Join(other, "none.nk")},
		"a certificate as a seed": {CAFile: ca, NKeyFile: ca},
		"two secrets":             {CAFile: ca, NKeyFile: worker, TokenFile: worker},
	} {
		if b, err := Connect(t.Context(), s.Address(), o); err == nil {
			b.Close()
			t.Errorf("%s: connected", name)
		}
	}
	// A server with TLS is reached under nats:// too, and then by TLS.
	b, err := Connect(t.Context(), strings.Replace(s.Address(), "tls://", "nats://", 1), Options{CAFile: ca, NKeyFile: worker, InboxPrefix: "_INBOX_worker"})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if _, err := b.connection.TLSConnectionState(); err != nil {
		t.Error(err)
	}
}

// User and password, from a file and from the environment; never from the address.
func TestUserAndPassword(t *testing.T) {
	file := filepath.Join(t.TempDir(), "user")
	if err := os.WriteFile(file, []byte("lodge:powder: deep\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := EmbeddedWith(t.TempDir(), ServerOptions{Listen: "127.0.0.1:0", UserFile: file})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	connect := func(o Options) error {
		b, err := Connect(t.Context(), s.Address(), o)
		if err == nil {
			err = b.EnsureStreams(t.Context())
			b.Close()
		}
		return err
	}
	if err := connect(Options{UserFile: file}); err != nil {
		t.Errorf("by file: %v", err)
	}
	if err := connect(Options{}); err == nil {
		t.Error("without a password")
	}
	t.Setenv("RIMELINE_NATS_USER", "lodge")
	t.Setenv("RIMELINE_NATS_PASSWORD", "slush")
	if err := connect(Options{}); !errors.Is(err, nats.ErrAuthorization) {
		t.Errorf("by a wrong environment: %v", err)
	}
	t.Setenv("RIMELINE_NATS_PASSWORD", "powder: deep")
	if err := connect(Options{}); err != nil {
		t.Errorf("by environment: %v", err)
	}
	t.Setenv("RIMELINE_NATS_TOKEN", "x")
	if err := connect(Options{}); err == nil {
		t.Error("user and token at once")
	}
	for _, content := range []string{"", "\n", "noColon", ":x", "a:b\nc:d\n"} {
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := connect(Options{UserFile: file}); err == nil || strings.Contains(err.Error(), "noColon") {
			t.Errorf("file %q: %v", content, err)
		}
	}
	withPassword := strings.Replace(s.Address(), "nats://", "nats://lodge:powder@", 1)
	if _, err := Connect(t.Context(), withPassword, Options{}); err == nil || strings.Contains(err.Error(), "powder") || !strings.Contains(err.Error(), "environment") {
		t.Errorf("a password in the address: %v", err)
	}
}

func TestServerOptions(t *testing.T) {
	for _, o := range []ServerOptions{
		{Listen: "0.0.0.0:0"}, {Listen: ":0"}, {Listen: "127.0.0.1"}, {Listen: "127.0.0.1:x"},
		{ConfigFile: "none.conf"}, {ConfigFile: filepath.Join(examples, "nats-users.conf")}, // keys still to be filled in
		{CertFile: "none.pem", KeyFile: "none.pem"}, {UserFile: "none"},
	} {
		if s, err := EmbeddedWith(t.TempDir(), o); err == nil {
			s.Close()
			t.Errorf("%+v: started", o)
		}
	}
	s, err := EmbeddedWith(t.TempDir(), ServerOptions{Listen: "localhost:0", MaxStoreBytes: 1 << 30, MaxMemoryBytes: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if err := s.Healthy(); err != nil {
		t.Error(err)
	}
	if config := s.server.JetStreamConfig(); config.MaxStore != 1<<30 || config.MaxMemory != 1<<20 || !config.SyncAlways {
		t.Errorf("%+v", config)
	}
	// All streams fit into a small store, since their limits shrink with it.
	b, err := s.Connect(t.Context(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, ensure := range []func(context.Context) error{b.EnsureStreams, b.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Error(err)
		}
	}
	if _, used, err := s.server.JetStreamReservedResources(); err != nil || used > 1<<30 {
		t.Errorf("%d bytes set aside, %v", used, err)
	}
	// One connected from elsewhere does not know the store, and is told.
	far, err := Connect(t.Context(), s.Address(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	if err := far.ensureStream(t.Context(), jetstream.StreamConfig{Name: "LARGE", Subjects: []string{"large"}, MaxBytes: 2 << 30}); !errors.Is(err, ErrFull) {
		t.Errorf("a stream larger than the store: %v", err)
	}
	if server, ok := far.Connected(); !ok || server != "rimeline" {
		t.Errorf("connected %v to %q", ok, server)
	}
}
