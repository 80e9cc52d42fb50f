package doors

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// clock is a clock of a test.
type clock struct{ time.Time }

func (c *clock) now() time.Time { return c.Time }

func noon() *clock { return &clock{time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)} }

func certified(t *testing.T, folder string, c *clock, names ...string) *Certificate {
	t.Helper()
	own, err := Certify(folder, names, c.now)
	if err != nil {
		t.Fatal(err)
	}
	return own
}

// leaf is the certificate of a new connection.
func leaf(t *testing.T, c *Certificate) *x509.Certificate {
	t.Helper()
	got, err := c.get(nil)
	if err != nil {
		t.Fatal(err)
	}
	return got.Leaf
}

func TestCertificateSaysWhatBrowsersWant(t *testing.T) {
	at := noon()
	own := certified(t, t.TempDir(), at, "Desk.Rig.test:8470", "192.0.2.7", "[2001:db8::7]:443", "192.0.2.7:80", "localhost", "")
	made := leaf(t, own)
	if !slices.Equal(made.DNSNames, []string{"desk.rig.test", "localhost"}) || len(made.IPAddresses) != 2 ||
		!made.IPAddresses[0].Equal(net.ParseIP("192.0.2.7")) || !made.IPAddresses[1].Equal(net.ParseIP("2001:db8::7")) {
		t.Errorf("made out for %v and %v", made.DNSNames, made.IPAddresses)
	}
	if life := made.NotAfter.Sub(made.NotBefore) + time.Second; life > 397*24*time.Hour || life < 396*24*time.Hour {
		t.Errorf("counts for %v, want 397 days at most", life)
	}
	if key, ok := made.PublicKey.(*ecdsa.PublicKey); !ok || key.Curve != elliptic.P256() {
		t.Errorf("key %T, want ECDSA P-256", made.PublicKey)
	}
	if made.IsCA || !made.BasicConstraintsValid || made.KeyUsage != x509.KeyUsageDigitalSignature || !slices.Equal(made.ExtKeyUsage, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}) {
		t.Error("it may be used for more than this page, or not for it")
	}
	pool := x509.NewCertPool()
	pool.AddCert(made)
	for name, good := range map[string]bool{"desk.rig.test": true, "192.0.2.7": true, "2001:db8::7": true, "evil.example": false, "192.0.2.8": false} {
		if _, err := made.Verify(x509.VerifyOptions{DNSName: name, Roots: pool, CurrentTime: at.Time}); (err == nil) != good {
			t.Errorf("as %s: %v", name, err)
		}
	}
}

func TestFilesAreForTheirOwnerAlone(t *testing.T) {
	folder := t.TempDir()
	own := certified(t, folder, noon(), "localhost")
	for _, path := range []string{own.keyFile(), own.certFile()} {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != 0o600 {
			t.Errorf("%s has mode %v, want 0600", path, got)
		}
	}
	// A file that was left half written, and readable by all, is no way around that.
	aside := own.keyFile() + ".new"
	if err := os.WriteFile(aside, []byte("half"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(own.keyFile()); err != nil {
		t.Fatal(err)
	}
	again := certified(t, folder, noon(), "localhost")
	if info, err := os.Stat(again.keyFile()); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 2 {
		t.Errorf("left in the folder: %v, %v", left, err)
	}
	if again.key.Equal(own.key) || !again.key.PublicKey.Equal(leaf(t, again).PublicKey) {
		t.Error("a new key goes with the old certificate")
	}
}

// The certificate stays while it fits. A new one keeps the key, so that the
// fingerprint that people have compared goes on to hold.
func TestCertificateIsRenewed(t *testing.T) {
	cases := []struct {
		what  string
		later time.Duration
		names []string
		stays bool
	}{
		{"at once", 0, []string{"localhost", "192.0.2.7"}, true},
		{"names in another order", 0, []string{"192.0.2.7:8471", "LOCALHOST"}, true},
		{"ten months later", 300 * 24 * time.Hour, []string{"localhost", "192.0.2.7"}, true},
		{"near its end", validFor - renewIn, []string{"localhost", "192.0.2.7"}, false},
		{"long after its end", 10 * validFor, []string{"localhost", "192.0.2.7"}, false},
		{"before its time", -48 * time.Hour, []string{"localhost", "192.0.2.7"}, false},
		{"another address", 0, []string{"localhost", "192.0.2.8"}, false},
		{"one more address", 0, []string{"localhost", "192.0.2.7", "192.0.2.8"}, false},
		{"one address less", 0, []string{"localhost"}, false},
	}
	for _, c := range cases {
		folder, at := t.TempDir(), noon()
		first := certified(t, folder, at, "localhost", "192.0.2.7")
		at.Time = at.Add(c.later)
		second := certified(t, folder, at, c.names...)
		a, b := first.held.Leaf, leaf(t, second)
		if a.Equal(b) != c.stays {
			t.Errorf("%s: stays %v, want %v", c.what, a.Equal(b), c.stays)
		}
		if b.NotBefore.After(at.Time) || b.NotAfter.Before(at.Add(renewIn)) {
			t.Errorf("%s: counts from %v to %v at %v", c.what, b.NotBefore, b.NotAfter, at.Time)
		}
		_, before := first.Fingerprints()
		if _, after := second.Fingerprints(); before != after {
			t.Errorf("%s: another key", c.what)
		}
		if !c.stays && a.SerialNumber.Cmp(b.SerialNumber) == 0 {
			t.Errorf("%s: a new certificate under the old number", c.what)
		}
	}
}

// A daemon that runs for more than a year goes on to be reached.
func TestCertificateIsRenewedUnderARunningDaemon(t *testing.T) {
	folder, at := t.TempDir(), noon()
	own := certified(t, folder, at, "localhost")
	first := leaf(t, own)
	at.Time = at.Add(validFor)
	second := leaf(t, own)
	if second.Equal(first) || second.NotAfter.Before(at.Time) || !leaf(t, own).Equal(second) {
		t.Error("the certificate ran out")
	}
	if !leaf(t, certified(t, folder, at, "localhost")).Equal(second) {
		t.Error("the new one was not stored")
	}
	if err := os.RemoveAll(folder); err != nil {
		t.Fatal(err)
	}
	at.Time = at.Add(validFor - time.Hour)
	if !leaf(t, own).Equal(second) {
		t.Error("where nothing can be stored, the old one does not serve on")
	}
}

func TestDamagedFiles(t *testing.T) {
	folder := t.TempDir()
	own := certified(t, folder, noon(), "localhost")
	write := func(path string, text []byte) {
		t.Helper()
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, text := range []string{"", "nonsense", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"} {
		write(own.certFile(), []byte(text))
		if again := certified(t, folder, noon(), "localhost"); !again.key.Equal(own.key) || again.held.Leaf == nil {
			t.Errorf("a certificate that reads %q: no new one", text)
		}
	}
	wrong, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(wrong)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range [][]byte{nil, []byte("nonsense"), pem.EncodeToMemory(&pem.Block{Type: keyBlock, Bytes: []byte("x")}), pem.EncodeToMemory(&pem.Block{Type: keyBlock, Bytes: der})} {
		write(own.keyFile(), text)
		if _, err := Certify(folder, []string{"localhost"}, noon().now); err == nil || !strings.Contains(err.Error(), own.keyFile()) || !strings.Contains(err.Error(), "remove it") {
			t.Errorf("a damaged key: %v, want its place and what to do", err)
		}
		if now, err := os.ReadFile(own.keyFile()); err != nil || !bytes.Equal(now, text) {
			t.Errorf("the damaged key was replaced unasked: %v", err)
		}
	}
}

func TestNamesThatNoCertificateTakes(t *testing.T) {
	if _, err := Certify(t.TempDir(), []string{"bühne.test"}, noon().now); err == nil || !strings.Contains(err.Error(), "bühne.test") {
		t.Errorf("%v, want the names", err)
	}
}

// Another implementation reads key and certificate and finds that they belong
// together.
func TestOpensslReadsThem(t *testing.T) {
	folder := t.TempDir()
	certified(t, folder, noon(), "localhost", "192.0.2.7")
	run := func(args ...string) string {
		t.Helper()
		out, err := exec.Command("openssl", args...).CombinedOutput()
		if err != nil {
			t.Fatalf("openssl %v: %v: %s", args, err, out)
		}
		return string(out)
	}
	cert, key := filepath.Join(folder, "page-certificate.pem"), filepath.Join(folder, "page-key.pem")
	if a, b := run("x509", "-in", cert, "-noout", "-pubkey"), run("pkey", "-in", key, "-pubout"); a != b {
		t.Error("key and certificate do not belong together")
	}
	if text := run("x509", "-in", cert, "-noout", "-text"); !strings.Contains(text, "DNS:localhost, IP Address:192.0.2.7") || !strings.Contains(text, "TLS Web Server Authentication") || !strings.Contains(text, "prime256v1") {
		t.Errorf("openssl reads: %s", text)
	}
}
