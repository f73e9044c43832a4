package deploy_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// withheld are the protections that the unit leaves out, by the names that
// systemd-analyze security gives them, and why.
var withheld = map[string]string{
	"RootDirectory=/RootImage=":                "the site file and the authorities' certificates are the host's; what else is there is read-only",
	"SupplementaryGroups=":                     "serial devices belong to dialout",
	"PrivateDevices=":                          "it would hide the serial devices",
	"DeviceAllow=":                             "serial devices, and none else",
	"PrivateNetwork=":                          "Modbus TCP, MQTT, mail and web servers are on the network",
	"RestrictAddressFamilies=~AF_(INET|INET6)": "likewise",
	"RestrictAddressFamilies=~AF_UNIX":         "the watchdog is fed over a local socket",
	"IPAddressDeny=":                           "the addresses are the plant's; the unit shows how to name them",
	"PrivateUsers=":                            "the group of the serial devices would have no name inside",
}

// TestUnitSecurity holds the unit at an exposure of 2.0 of 10 at most, and asks
// for the reason of all that keeps it from 0.
func TestUnitSecurity(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed")
	}
	output(t, analyze, "security", "--offline=true", "--threshold=20", "systemd/ebbwatch.service")
	var lines []struct {
		Set      *bool
		Name     string
		Exposure *string
	}
	out, err := exec.Command(analyze, "security", "--offline=true", "--json=short", "systemd/ebbwatch.service").Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(out, &lines); err != nil {
		t.Fatal(err)
	}
	judged := 0
	for _, l := range lines {
		if l.Set == nil {
			continue
		}
		judged++
		if !*l.Set && withheld[l.Name] == "" {
			t.Errorf("the unit does without %s, for which no reason is given", l.Name)
		}
	}
	if judged < 60 {
		t.Errorf("systemd-analyze judged %d lines only", judged)
	}
}

// TestUnitIsValid lets systemd read the unit and the user; a key that it does not
// know is a fault.
func TestUnitIsValid(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed")
	}
	unit := read(t, "systemd", "ebbwatch.service")
	for _, want := range []string{"Type=notify\n", "WatchdogSec=30s\n", "Restart=always\n", "User=ebbwatch\n"} {
		if !strings.Contains(unit, "\n"+want) {
			t.Errorf("the unit lacks %q", want)
		}
	}
	// The program is not installed here.
	unit = regexp.MustCompile(`(?m)^ExecStart=\S+`).ReplaceAllString(unit, "ExecStart=/bin/true")
	file := filepath.Join(t.TempDir(), "ebbwatch.service")
	if err := os.WriteFile(file, []byte(unit), 0o644); err != nil {
		t.Fatal(err)
	}
	if out := output(t, analyze, "verify", "--man=no", file); strings.Contains(out, "ebbwatch.service:") {
		t.Errorf("systemd says of the unit:\n%s", out)
	}

	sysusers, err := exec.LookPath("systemd-sysusers")
	if err != nil {
		t.Skip("systemd-sysusers is not installed")
	}
	root := t.TempDir()
	if err := os.Mkdir(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	conf, err := filepath.Abs("systemd/ebbwatch.sysusers")
	if err != nil {
		t.Fatal(err)
	}
	output(t, sysusers, "--root="+root, conf)
	if passwd := read(t, root, "etc", "passwd"); !regexp.MustCompile(`(?m)^ebbwatch:x:\d+:\d+:ebbwatch:/var/lib/ebbwatch:\S*nologin$`).MatchString(passwd) {
		t.Errorf("the user becomes %q", passwd)
	}
}

// TestScriptsParse lets the shell read what no test can run here.
func TestScriptsParse(t *testing.T) {
	output(t, "sh", "-n", "openrc/ebbwatch")
}
