package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nkeys"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
)

// sampleUsers is the sample configuration of users with keys in the place of its
// placeholders; seeds are in <user>.nk.
func sampleUsers(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"nats-users.conf", "nats-keys.conf"} {
		text := string(content(t, filepath.Join("../examples", name)))
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
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// The user "duty" of the sample configuration may do all that people on duty do; the
// user "reader" may look and watch, and is told that it may not decide.
func TestCommandsByUsersOfTheSampleConfiguration(t *testing.T) {
	users := sampleUsers(t)
	s := openServiceIn(t, t.TempDir(), bus.ServerOptions{ConfigFile: filepath.Join(users, "nats-users.conf"), Listen: "127.0.0.1:0"})
	s.publishFile()
	s.work(0)
	h := newHoldAlerts(t)
	now := time.Now().UTC()
	h.step(alert.Input{}, now)
	s.putAlerts(h.step(held("creek", alert.OutcomeHeld, "hut"), now))
	a, err := readLocalAddress(s.data)
	if err != nil {
		t.Fatal(err)
	}
	as := func(user string, arguments ...string) outcome {
		t.Setenv("RIMELINE_NATS_INBOX", "_INBOX_"+user)
		return rimeline(t, append(arguments, "--nats", a.Address, "--nkey", filepath.Join(users, user+".nk"))...)
	}
	set := as("duty", "hold", "set", "--by", "Ada", "--reason", "crew on the road", "--site", "hut")
	expect(t, "hold set", set, statusFine, "Recorded: hold", "In force since", "MST") // the programme's file was read
	id := holdID.FindString(set.stdout)
	expect(t, "hold list", as("duty", "hold", "list", "--all"), statusFine, "! HELD manual/"+id)
	expect(t, "hold lift", as("duty", "hold", "lift", id, "--by", "Ada", "--reason", "they left"), statusFine, "Lifted")
	expect(t, "ack", as("duty", "ack", "--all", "--by", "Ada"), statusFine, "Acknowledged by Ada")
	expect(t, "release add", as("duty", "release", "add", "--site", "hut", "--start", time.Now().Add(-time.Hour).Format(time.RFC3339), "--end", "now", "--agent", "contact", "--grams", "16", "--purpose", "seeding", "--who", "Ada"), statusFine, "Recorded: release")
	expect(t, "release list", as("duty", "release", "list"), statusFine, "1 record")
	expect(t, "release total", as("duty", "release", "total"), statusFine, "16 g")

	expect(t, "reader lists", as("reader", "hold", "list", "--all"), statusFine, "they left", "MST")
	expect(t, "reader lists alerts", as("reader", "ack"), statusFine, "No alert")
	expect(t, "reader watches", as("reader", "deadman", "--once", "--state", filepath.Join(t.TempDir(), "d.json")), statusFine, "The service lives: 1 worker")
	began := time.Now()
	for _, arguments := range [][]string{
		{"hold", "set", "--by", "Eve", "--reason", "x"},
		{"hold", "lift", "gale", "--by", "Eve", "--reason", "x"},
		{"release", "add", "--site", "barn", "--start", now.Add(-time.Hour).Format(time.RFC3339), "--end", "now", "--agent", "contact", "--grams", "16", "--purpose", "seeding", "--who", "Eve"},
	} {
		s.gust(25)
		s.judge(time.Now().UTC())
		expect(t, strings.Join(arguments, " "), as("reader", arguments...), statusFailed, "NOT recorded", "Permissions Violation")
	}
	s.putAlerts(h.step(held("gale", alert.OutcomeHeld, "hut"), now.Add(time.Second)))
	expect(t, "reader acknowledges", as("reader", "ack", "--all", "--by", "Eve"), statusFailed, "NOT acknowledged", "Permissions Violation")
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("refusals took %v", took)
	}
	expect(t, "a site's gateway", as("site-gateway", "hold", "list"), statusFailed, "Permissions Violation")
}
