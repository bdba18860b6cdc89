// Package certificate verifies the other side of a TLS connection: in the usual
// way, or by the fingerprint that the policy gives. It must never let pass what
// is neither.
package certificate

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// Verified gives the TLS settings for a service. With a fingerprint from the
// policy the certificate is compared with it, and neither names nor dates nor
// authorities count: BMCs and small servers sign their own certificates, and their
// clocks are wrong. Without one it is verified in the usual way.
func Verified(certificate string) (*tls.Config, error) {
	if certificate == "" {
		return &tls.Config{}, nil
	}
	want, err := fingerprint(certificate)
	if err != nil {
		return nil, err
	}
	return &tls.Config{
		InsecureSkipVerify: true, // because VerifyConnection, which every handshake runs, compares instead
		VerifyConnection: func(c tls.ConnectionState) error {
			got := sha256.Sum256(c.PeerCertificates[0].Raw)
			if !bytes.Equal(got[:], want) {
				return fmt.Errorf("its certificate is %s, %w: find out why before you change the policy", fingerprintText(got), errOther)
			}
			return nil
		},
	}, nil
}

// fingerprint reads "SHA256:" and the digest of the certificate's DER form in
// unpadded base64, or in hexadecimal with or without colons.
func fingerprint(text string) ([]byte, error) {
	digest, named := strings.CutPrefix(text, "SHA256:")
	if sum, err := hex.DecodeString(strings.ReplaceAll(digest, ":", "")); named && err == nil && len(sum) == sha256.Size {
		return sum, nil
	}
	if sum, err := base64.RawStdEncoding.Strict().DecodeString(digest); named && err == nil && len(sum) == sha256.Size {
		return sum, nil
	}
	return nil, fmt.Errorf(`certificate %q is not a fingerprint: write "SHA256:" and the SHA-256 of the certificate's DER form, in 64 hexadecimal digits or 43 of base64`, text)
}

// Fingerprint gives that of a certificate, as the policy names it.
func Fingerprint(c *x509.Certificate) string { return fingerprintText(sha256.Sum256(c.Raw)) }

func fingerprintText(sum [sha256.Size]byte) string {
	return "SHA256:" + base64.RawStdEncoding.EncodeToString(sum[:])
}

var errOther = errors.New("not the one in the policy")

// Refused tells whether an error is that of a certificate that is not believed.
func Refused(err error) bool {
	var unverified *tls.CertificateVerificationError
	return errors.As(err, &unverified) || errors.Is(err, errOther)
}

// Advice adds what to write to the error of a certificate that nobody known has
// signed.
func Advice(err error) error {
	var unverified *tls.CertificateVerificationError
	if !errors.As(err, &unverified) || len(unverified.UnverifiedCertificates) == 0 {
		return err
	}
	sum := sha256.Sum256(unverified.UnverifiedCertificates[0].Raw)
	return fmt.Errorf("%w: if its fingerprint is truly %s, write that into the policy as certificate", err, fingerprintText(sum))
}
