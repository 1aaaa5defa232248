#!/usr/bin/env bash
# Builds the image where no container engine runs, and smoke-tests it over HTTP. For root on Debian
# or a derivative of it, with debootstrap, buildah, podman and runc:
#   docker/build-without-engine.sh [FOLDER]     the bases are kept in FOLDER for the next time
#   CA=/path/ca.crt PIP_CONF=/path/pip.conf     what the building machine needs to reach its index
#
# The bases are made from Debian's packages and stand for those that docker/Dockerfile names; they
# are not the same bytes. So this proves that the Dockerfile builds, that the image is small, starts
# without root on a read-only root file system and answers; not that it does on the pinned bases,
# under an engine's own network or behind its health checks.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
folder=$(realpath -m "${1:-.ci/work/image}")
readonly folder suite=bookworm image=localhost/tube-bending:trial most_megabytes=200
readonly port=${PORT:-18421}

# What Python 3.11 needs at run time and no more: neither shell nor package manager.
readonly packages="base-files libc6 libgcc-s1 libstdc++6 zlib1g libbz2-1.0 liblzma5 \
  libffi8 libexpat1 libssl3 libuuid1 libcrypt1 media-types python3-minimal python3.11-minimal \
  libpython3.11-minimal libpython3.11-stdlib libpython3-stdlib python3 python3.11"

say() { echo "== $*"; }

for tool in debootstrap buildah podman runc; do
  command -v "$tool" >/dev/null || { echo "needs $tool" >&2; exit 3; }
done
[[ $EUID == 0 ]] || { echo "needs root" >&2; exit 3; }

# Storage of its own: nothing that another user of these tools has is touched.
mkdir -p "$folder"
cat >"$folder/storage.conf" <<TEXT
[storage]
driver = "vfs"
graphroot = "$folder/storage"
runroot = "$folder/run"
TEXT
cat >"$folder/policy.json" <<'TEXT'
{"default": [{"type": "insecureAcceptAnything"}]}
TEXT
export CONTAINERS_STORAGE_CONF=$folder/storage.conf BUILDAH_ISOLATION=chroot

make_bases() {
  [[ -f $folder/runtime.tar ]] && return
  say "bases from Debian $suite"
  rm -rf "$folder/build"
  debootstrap --variant=minbase --include=python3,python3-venv "$suite" "$folder/build" \
    >"$folder/debootstrap.log" 2>&1 || { tail -20 "$folder/debootstrap.log" >&2; return 1; }
  local root=$folder/runtime files=$folder/files
  rm -rf "$root"
  mkdir -p "$root"
  # shellcheck disable=SC2086 # several words
  chroot "$folder/build" dpkg-query --listfiles $packages |
    grep -vE '^/(usr/share/(doc|man|locale|info|lintian)|var/lib/dpkg)/' |
    grep -vE '^/(\.|bin|lib|lib64|sbin)?$' |
    sed -E 's#^/(bin|sbin|lib|lib64)/#/usr/\1/#' | sort -u >"$files" # where they really lie
  tar --create --directory "$folder/build" --no-recursion --ignore-failed-read \
    --files-from <(sed -n 's#^/##p' "$files") 2>/dev/null | tar --extract --directory "$root"
  cp -a "$folder/build/usr/lib/python3.11" "$root/usr/lib/"
  cp -a "$folder/build/etc/ld.so.cache" "$folder/build/etc/passwd" "$folder/build/etc/group" \
    "$root/etc/"
  local name
  for name in bin lib lib64 sbin; do
    rm -rf "${root:?}/$name"
    ln -s "usr/$name" "$root/$name"
  done
  mkdir -p "$root"/{tmp,dev,proc,sys,run} "$root/usr/sbin"
  chmod 1777 "$root/tmp"
  tar --create --directory "$folder/build" --file "$folder/build.tar" .
  tar --create --directory "$root" --file "$folder/runtime.tar" .
  rm -rf "$folder/build" "$root"
}

import() { # NAME: the root file system in NAME.tar as an image of that name
  local container
  container=$(buildah from scratch)
  buildah add --quiet "$container" "$folder/$1.tar" / >/dev/null
  buildah commit --quiet --rm "$container" "localhost/base-$1" >/dev/null
}

build() {
  say "build"
  local secrets=()
  if [[ -n ${CA:-} ]]; then secrets+=(--secret "id=ca,src=$CA"); fi
  if [[ -n ${PIP_CONF:-} ]]; then secrets+=(--secret "id=pip,src=$PIP_CONF"); fi
  buildah rmi --all --force >/dev/null 2>&1 || true # of the last time
  import build
  import runtime
  buildah bud --quiet --isolation chroot --layers=false --format docker \
    --signature-policy "$folder/policy.json" --pull=never \
    --build-arg BASE=localhost/base-build --build-arg RUNTIME=localhost/base-runtime \
    "${secrets[@]}" --tag "$image" --file docker/Dockerfile .
}

size_in_megabytes() {
  local mounted container
  container=$(buildah from --pull=never --signature-policy "$folder/policy.json" "$image")
  mounted=$(buildah mount "$container")
  du --summarize --apparent-size --block-size=1000000 "$mounted" | cut -f1
  buildah rm "$container" >/dev/null
}

check_contents() {
  local mounted container tool found=()
  container=$(buildah from --pull=never --signature-policy "$folder/policy.json" "$image")
  mounted=$(buildah mount "$container")
  for tool in sh bash apt dpkg pip pip3 gcc make perl; do
    if compgen -G "$mounted/usr/bin/$tool" >/dev/null; then found+=("$tool"); fi
  done
  buildah rm "$container" >/dev/null
  if ((${#found[@]})); then
    echo "the image holds ${found[*]}" >&2
    return 1
  fi
  if buildah inspect "$image" | grep -iE 'proxy|certificate|pip\.conf|index-url'; then
    echo "the image tells of the machine that built it" >&2
    return 1
  fi
}

# An engine as careful as docker/kubernetes.yaml: no root, nothing to write but /tmp, no capability.
engine() {
  podman --cgroup-manager cgroupfs --runtime runc "$@"
}

stop() {
  engine logs tube-bending-trial 2>&1 | tail -5
  engine rm --force --ignore tube-bending-trial >/dev/null
}

smoke_test() {
  say "smoke test on 127.0.0.1:$port"
  local key line
  { read -r key; read -r line; } < <(new_key)
  trap stop EXIT
  engine run --detach --name tube-bending-trial --network host --pull=never \
    --no-healthcheck --ulimit nofile=4096:4096 --ulimit nproc=4096:4096 --read-only --read-only-tmpfs=false --tmpfs /tmp --cap-drop all \
    --security-opt no-new-privileges \
    --env SERVICE_BIND="127.0.0.1:$port" --env SERVICE_KEYS="$line" --env SERVICE_WORKERS=2 \
    "$image" >/dev/null
  KEY=$key python3 docker/smoke_test.py "http://127.0.0.1:$port"
  engine exec tube-bending-trial python3 -c \
    "import os, urllib.request as u; u.urlopen('http://127.0.0.1:$port/health/ready', timeout=5); \
assert os.getuid() == 10001; open('/tmp/probe', 'w').close()"
  if engine exec tube-bending-trial python3 -c "open('/etc/probe', 'w')" 2>/dev/null; then
    echo "the root file system can be written" >&2
    return 1
  fi
}

# As service.web.keys makes one, without needing its dependencies here.
new_key() {
  python3 -c '
import hashlib, secrets
key = secrets.token_urlsafe(32)
print(key, f"trial calculate,metrics sha256:{hashlib.sha256(key.encode()).hexdigest()}", sep="\n")'
}

make_bases
build
megabytes=$(size_in_megabytes)
say "$image: $megabytes MB, at most $most_megabytes are allowed"
((megabytes < most_megabytes))
check_contents
smoke_test
say "image built and answered"
