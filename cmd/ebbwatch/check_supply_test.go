package main

import (
	"strings"
	"testing"
)

// What a bank can give is that of the limit table in testdata/supply: 400 lb/d for a
// ton container, 40 for a 150-lb cylinder, at 70 degF.
func TestCheckShowsWhatABalanceCanSee(t *testing.T) {
	for _, tc := range []struct{ reason, old, new, want string }{
		{"two on duty, a feed", "site: kestrel-ridge", "site: kestrel-ridge",
			"Bank north: 2 containers drawn first, up to 800 lb/d; for that the room must be at 70 degF or over; the feed is known to 2 %, so that at 800 lb/d a leak under 16 lb/d cannot be told from an error of the feed."},
		{"one stands by, no feed", "site: kestrel-ridge", "site: kestrel-ridge",
			"Bank wellhouse: one container drawn first, up to 40 lb/d; one container standing by, up to 40 lb/d; for that the room must be at 70 degF or over; nothing tells the feed, so that neither lost chlorine nor lost feed is told of."},
		{"liquid", "    feed: north-feed\n", "    withdrawal: liquid\n", "Bank north: chlorine is drawn as liquid, so that the evaporator sets the limit; nothing tells the feed"},
		{"a better signal", "    feed: north-feed\n", "    feed: north-feed\n    feed_error: 0.5%\n", "the feed is known to 0.5 %, so that at 800 lb/d a leak under 4 lb/d"},
	} {
		out, err := checked(t, tc.old, tc.new)
		if err != nil || !strings.Contains(out, tc.want) {
			t.Errorf("%s: %v, %s\nexpected %s", tc.reason, err, out[:min(len(out), 3000)], tc.want)
		}
	}
}
