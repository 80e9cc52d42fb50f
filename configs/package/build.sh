#!/usr/bin/env bash
# Builds the Debian packages: build.sh FOLDER [VERSION [ARCHITECTURE...]]
# They go into FOLDER; the version is by default the date and name of the last
# commit, the architectures are amd64 and arm64. The same source gives the same
# bytes.
set -Eeuo pipefail
umask 022
out=$(mkdir -p "${1:?name the folder for the packages}" && cd "$1" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
cd "$here/../.."
version=${2:-$(git log -1 --format=0.%cd+%h --date=format:%Y%m%d.%H%M%S)}
shift $(($# < 2 ? $# : 2))
[ $# -gt 0 ] || set -- amd64 arm64
export CGO_ENABLED=0 SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)}

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# What writes manual and completions is of this machine's kind.
go build -trimpath -o "$work/hushback" ./cmd/hushback
mkdir "$work/man"
go run -trimpath -tags manual ./cmd/hushback "$work/man"
gzip -n9 "$work"/man/*.1

pack() {
	local arch=$1 root="$work/$1"
	install -d "$root"/{DEBIAN,etc/hushback,usr/bin,usr/share/man/man1,usr/share/doc/hushback}
	GOOS=linux GOARCH=$arch go build -trimpath -ldflags='-s -w' -o "$root/usr/bin/hushback" ./cmd/hushback
	install -Dm644 "$here/hushback.service" "$root/usr/lib/systemd/system/hushback.service"
	install -Dm644 "$here/hushback.tmpfiles" "$root/usr/lib/tmpfiles.d/hushback.conf"
	install -m644 "$here/hushback.yaml" "$root/etc/hushback/hushback.yaml"
	install -m644 "$work"/man/*.gz "$root/usr/share/man/man1/"
	install -m644 README.md "$root/usr/share/doc/hushback/"
	for folder in tutorials sites profiles mappings; do # where the README points to them
		install -Dm644 -t "$root/usr/share/doc/hushback/configs/$folder" configs/"$folder"/*
	done
	install -d "$root"/usr/share/{bash-completion/completions,zsh/vendor-completions,fish/vendor_completions.d}
	"$work/hushback" completion bash >"$root/usr/share/bash-completion/completions/hushback"
	"$work/hushback" completion zsh >"$root/usr/share/zsh/vendor-completions/_hushback"
	"$work/hushback" completion fish >"$root/usr/share/fish/vendor_completions.d/hushback.fish"
	install -m755 "$here/postinst" "$here/prerm" "$root/DEBIAN/"
	echo /etc/hushback/hushback.yaml >"$root/DEBIAN/conffiles"
	sed "s/@VERSION@/$version/; s/@ARCH@/$arch/; s/@SIZE@/$(du -sk "$root" | cut -f1)/" "$here/control" >"$root/DEBIAN/control"
	dpkg-deb --root-owner-group -Zgzip --build "$root" "$out/hushback_${version}_$arch.deb" >/dev/null
	echo "$out/hushback_${version}_$arch.deb"
}
for arch; do pack "$arch"; done
