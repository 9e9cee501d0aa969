# Sourced by ./run and ./test: installs what is missing, configures and builds. Says what it does.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

say() { printf '== %s\n' "$*"; }

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"
  elif command -v sudo >/dev/null; then sudo "$@"
  else say "Installing packages needs root: run as root or install sudo." >&2; exit 2
  fi
}

install_missing() {
  local missing=() package
  while read -r package; do
    case "$package" in ''|'#'*) continue ;; esac
    [ "$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null)" = installed ] || missing+=("$package")
  done < tools/packages.txt
  command -v node >/dev/null || missing+=(nodejs)
  command -v npm >/dev/null || missing+=(npm)
  if [ ${#missing[@]} -eq 0 ]; then say "All Debian packages are installed"; return; fi
  say "Installing from Debian: ${missing[*]}"
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
}

# build PRESET TARGET...
build() {
  local preset=$1; shift
  say "Building ($preset)"
  cmake --preset "$preset" >/dev/null
  cmake --build "build/$preset" --target "$@" -- -j "$(nproc)" --quiet
}

# The packages of the page, as locked.
install_page_packages() {
  (
    cd web
    [ node_modules/.package-lock.json -nt package-lock.json ] || npm ci --no-audit --no-fund --silent
  )
}

# The page of the workstation: one bundle in web/dist.
build_page() {
  say "Building the page"
  install_page_packages
  (cd web && npm run --silent build)
}
