package access

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
)

// hostList is the Host headers that the page answers to beside loopback, lower
// case: "host" for any port or "host:port".
type hostList map[string]bool

func newHostList(hosts []string) hostList {
	list := hostList{}
	for _, h := range hosts {
		h = strings.ToLower(h)
		if _, _, err := net.SplitHostPort(h); err != nil {
			h = strings.Trim(h, "[]")
		}
		list[h] = h != ""
	}
	return list
}

func (l hostList) allow(host string) bool {
	host = strings.ToLower(host)
	name := hostName(host)
	if ip, err := netip.ParseAddr(name); name == "localhost" || err == nil && ip.Unmap().IsLoopback() {
		return true
	}
	return l[host] || l[name]
}

// hostName is a Host header without its port and brackets.
func hostName(host string) string {
	if name, _, err := net.SplitHostPort(host); err == nil {
		return name
	}
	return strings.Trim(host, "[]")
}

// SameOrigin is the live socket's own check: CrossOriginProtection lets every GET
// through, and the upgrade is a GET.
func SameOrigin(r *http.Request) bool {
	origins := r.Header["Origin"]
	if len(origins) != 1 {
		return false
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	u, err := url.Parse(origins[0])
	return err == nil && u.Scheme == scheme && strings.EqualFold(u.Host, r.Host)
}

// NotForeign is the same for a stream that is read by a plain GET. A browser adds
// no Origin to a GET of the page's own, and says where it comes from in another
// way only over TLS and on loopback; so saying nothing is let in, and an answer
// that another site asked for is one that it cannot read.
func NotForeign(r *http.Request) bool {
	if len(r.Header["Origin"]) > 0 {
		return SameOrigin(r)
	}
	site := r.Header.Get("Sec-Fetch-Site")
	return site == "" || site == "same-origin"
}
