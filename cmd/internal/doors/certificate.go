package doors

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// How long a certificate counts. Browsers refuse more than 398 days, the limit of
// the CA/Browser Forum's baseline requirements, 6.3.2.
const (
	validFor  = 397*24*time.Hour - time.Second // both ends count
	renewIn   = 30 * 24 * time.Hour            // before its end
	clockSlip = time.Hour                      // by which a phone may be behind
)

// Certificate is the page's own: nobody vouches for it, so that a person compares
// its fingerprint with the one in the terminal. The key outlives the certificates
// that are made with it.
type Certificate struct {
	folder string
	names  []string
	now    func() time.Time
	key    *ecdsa.PrivateKey

	mu   sync.Mutex
	held tls.Certificate // with its Leaf
}

// Certify reads key and certificate from a folder and makes what is missing, what
// nears its end and what is made out for other names than the page has now.
func Certify(folder string, names []string, now func() time.Time) (*Certificate, error) {
	c := &Certificate{folder: folder, names: plainNames(names), now: now}
	if err := c.openKey(); err != nil {
		return nil, err
	}
	if c.read(); !c.fits() {
		if err := c.renew(); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// plainNames is names and addresses without ports, each once, in order.
func plainNames(hosts []string) []string {
	var names []string
	for _, h := range hosts {
		if host, _, err := net.SplitHostPort(h); err == nil {
			h = host
		}
		if h = strings.ToLower(strings.Trim(h, "[]")); h != "" {
			names = append(names, h)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (c *Certificate) keyFile() string  { return filepath.Join(c.folder, "page-key.pem") }
func (c *Certificate) certFile() string { return filepath.Join(c.folder, "page-certificate.pem") }

const (
	keyBlock  = "PRIVATE KEY"
	certBlock = "CERTIFICATE"
)

// openKey reads the key or makes one. A damaged key is not replaced unasked: people
// have compared its fingerprint.
func (c *Certificate) openKey() error {
	text, err := os.ReadFile(c.keyFile())
	if errors.Is(err, fs.ErrNotExist) {
		return c.makeKey()
	}
	if err != nil {
		return fmt.Errorf("key of the page: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return fmt.Errorf("key of the page: %s holds no key: remove it, and a new one is made", c.keyFile())
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	own, ok := key.(*ecdsa.PrivateKey)
	if err != nil || !ok || own.Curve != elliptic.P256() {
		return fmt.Errorf("key of the page: %s holds no P-256 key: remove it, and a new one is made", c.keyFile())
	}
	c.key = own
	return nil
}

func (c *Certificate) makeKey() (err error) {
	if c.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
		return fmt.Errorf("key of the page: %w", err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(c.key)
	if err != nil {
		return fmt.Errorf("key of the page: %w", err)
	}
	return leave(c.keyFile(), &pem.Block{Type: keyBlock, Bytes: der})
}

// leave writes a file for its owner's eyes only, whole or not at all.
func leave(path string, block *pem.Block) error {
	aside := path + ".new"
	if err := os.Remove(aside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err // one with wider rights would keep them
	}
	if err := os.WriteFile(aside, pem.EncodeToMemory(block), 0o600); err != nil {
		return err
	}
	return os.Rename(aside, path)
}

// read takes the stored certificate, if one can be read.
func (c *Certificate) read() {
	text, err := os.ReadFile(c.certFile())
	block, _ := pem.Decode(text)
	if err != nil || block == nil {
		return
	}
	if leaf, err := x509.ParseCertificate(block.Bytes); err == nil {
		c.hold(leaf)
	}
}

func (c *Certificate) hold(leaf *x509.Certificate) {
	c.held = tls.Certificate{Certificate: [][]byte{leaf.Raw}, PrivateKey: c.key, Leaf: leaf}
}

// fits reports whether the certificate that is held will do for a while.
func (c *Certificate) fits() bool {
	leaf := c.held.Leaf
	if leaf == nil || !c.key.PublicKey.Equal(leaf.PublicKey) {
		return false
	}
	made := slices.Clone(leaf.DNSNames)
	for _, ip := range leaf.IPAddresses {
		made = append(made, ip.String())
	}
	now := c.now()
	return !now.Before(leaf.NotBefore) && now.Add(renewIn).Before(leaf.NotAfter) && slices.Equal(plainNames(made), c.names)
}

// renew makes a certificate and stores it.
func (c *Certificate) renew() error {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return fmt.Errorf("certificate of the page: %w", err)
	}
	begins := c.now().Add(-clockSlip)
	form := &x509.Certificate{
		SerialNumber: serial.Add(serial, big.NewInt(1)), Subject: pkix.Name{CommonName: "hushback page"},
		NotBefore: begins, NotAfter: begins.Add(validFor), BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	for _, name := range c.names {
		if ip, err := netip.ParseAddr(name); err == nil {
			form.IPAddresses = append(form.IPAddresses, ip.AsSlice())
		} else {
			form.DNSNames = append(form.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, c.key.Public(), c.key)
	if err != nil {
		return fmt.Errorf("certificate of the page, for %s: %w", strings.Join(c.names, ", "), err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		return fmt.Errorf("certificate of the page: %w", err)
	}
	if err := leave(c.certFile(), &pem.Block{Type: certBlock, Bytes: der}); err != nil {
		return fmt.Errorf("certificate of the page: %w", err)
	}
	c.hold(leaf)
	return nil
}

// get is the certificate for one connection. A daemon may outlive it; where a new
// one cannot be stored the old one serves to its end.
func (c *Certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.fits() {
		if err := c.renew(); err != nil {
			slog.Warn("the page keeps its old certificate", "error", err)
		}
	}
	held := c.held
	return &held, nil
}

// Fingerprints are the SHA-256 of the certificate and of its public key (the DER
// of its SubjectPublicKeyInfo), in hex digits by fours: browsers show the one, the
// other, or both.
func (c *Certificate) Fingerprints() (certificate, key string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return byFours(c.held.Leaf.Raw), byFours(c.held.Leaf.RawSubjectPublicKeyInfo)
}

func byFours(der []byte) string {
	sum := sha256.Sum256(der)
	digits := hex.EncodeToString(sum[:])
	var groups []string
	for g := range slices.Chunk([]byte(digits), 4) {
		groups = append(groups, string(g))
	}
	return strings.Join(groups, " ")
}
