package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestCredentials: systemd's LoadCredential=secret:FOLDER names what it hands over
// secret_NAME, in a folder that CREDENTIALS_DIRECTORY names: systemd.exec(5), from
// memory.
func TestCredentials(t *testing.T) {
	write := func(text string, path ...string) string {
		file := filepath.Join(path...)
		if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	minimal, err := os.ReadFile(filepath.Join(sites, "minimal.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		reason, beside, handed, want string
	}{
		{"handed over, and only root may read the true one", "", "right", "right"},
		{"handed over when the daemon started, changed since", "newer", "right", "right"},
		{"not handed over", "right", "", "right"},
		{"nowhere", "", "", ""},
	} {
		dir, handed := t.TempDir(), t.TempDir()
		site := write(string(minimal)+"\nmqtt: {broker: \"tcp://127.0.0.1:1883\", user: ebbwatch, password_file: secrets/mqtt-password}\n", dir, "site.yaml")
		if tc.beside != "" {
			write(tc.beside+"\n", dir, "secrets", "mqtt-password")
		}
		if tc.handed != "" {
			write(tc.handed+"\n", handed, "secret_mqtt-password")
		}
		t.Setenv("CREDENTIALS_DIRECTORY", handed)
		s, err := Load(site)
		switch {
		case tc.want == "":
			if err == nil || !strings.Contains(err.Error(), "no such file") {
				t.Errorf("%s: %v, expected no such file", tc.reason, err)
			}
		case err != nil:
			t.Errorf("%s: %v", tc.reason, err)
		case s.MQTT.Password.Reveal() != tc.want:
			t.Errorf("%s: the password is another", tc.reason)
		}
	}
}
