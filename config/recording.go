package config

import "time"

// Recording bounds what is kept of the readings for replays.
type Recording struct {
	// MaxBytes is what all files take together, MaxAge how long each is kept, 0 for
	// as long as there is room.
	MaxBytes int64
	MaxAge   time.Duration
}

// recordingKeys lists the keys of the recording.
func recordingKeys() []Key {
	return []Key{
		{"recording", false, "", "a block with disk_mb and keep"},
		{"recording.disk_mb", must, "", "a whole number of megabytes from 16 to 1000000 that the recording may take"},
		{"recording.keep", false, "", "a duration from 1d to 3650d; absent, as long as disk_mb allows"},
	}
}

// recording reads the bounds of the recording, nil when nothing is to be recorded.
func (r *siteReader) recording(v value) *Recording {
	b, ok := v.block()
	if !ok {
		return nil
	}
	s := &Recording{}
	var megabytes int
	if b.get("disk_mb").whole(&megabytes, between(16, 1_000_000)) {
		s.MaxBytes = int64(megabytes) * 1_000_000
	}
	b.get("keep").duration(&s.MaxAge, 24*time.Hour, 3650*24*time.Hour)
	return s
}
