# make run    measure the sample photo and open the service on the result
# make test   every check and test
# Both install what is missing (Debian packages, Go) first; see .ci/ready.

# Debian packages that building needs, and those that only tests need.
APT      = ca-certificates g++ git libjpeg-dev libopencv-contrib-dev libopencv-dev make pkg-config
APT_TEST = chromium poppler-utils postgresql

# HEIC photos are decoded by the WebAssembly build that the module carries. Without this tag it
# would load whatever libheif the machine happens to have, and a photo could read differently there.
TAGS = -tags nodynamic

# The linter is built from its source at this version, so it always knows the Go in use.
# It is the last one that Go 1.24 builds.
LINT_VERSION = v2.8.0
LINT         = bin/golangci-lint-$(LINT_VERSION)

# The S3 server that tests of the archive run against, also built from its source. A later version
# changes server/archive/conformance/s3.go too.
S3_VERSION = v1.0.14
S3         = bin/versitygw-$(S3_VERSION)

# Packages with goroutines of their own, tested once more under the race detector.
RACE = ./server/...

.PHONY: run test build check format vet lint unit race bench archive-million archive-survive capacity security leaks screenshots chroot-proof clean

run:
	@.ci/ready $(APT) -- $(MAKE) --no-print-directory build
	@.ci/demo

test:
	@.ci/ready $(APT) $(APT_TEST) -- $(MAKE) --no-print-directory check

# Every page at the sizes of a phone, a tablet and a desktop, into out/screenshots, to be looked at.
screenshots:
	@.ci/ready $(APT) $(APT_TEST) -- env BELTEND_SCREENSHOTS=$(CURDIR)/out/screenshots go test $(TAGS) -count 1 -run 'Screenshots' ./server/httpapi

# From here on everything needed is taken to be installed.

build:
	go build $(TAGS) -o bin/ ./cmd/...

check: format vet lint unit race

format:
	@unformatted=$$(gofmt -l cmd geometry server vision) && test -z "$$unformatted" || \
		{ echo "not formatted, run gofmt -w on: $$unformatted"; exit 1; }

vet:
	go vet $(TAGS) ./...

lint: $(LINT)
	$(LINT) run --allow-parallel-runners --timeout 15m

$(LINT):
	GOTOOLCHAIN=$$(go env GOVERSION) GOBIN=$(CURDIR)/bin go install github.com/golangci/golangci-lint/v2/cmd/golangci-lint@$(LINT_VERSION)
	mv bin/golangci-lint $@

$(S3):
	GOTOOLCHAIN=$$(go env GOVERSION) GOBIN=$(CURDIR)/bin go install github.com/versity/versitygw/cmd/versitygw@$(S3_VERSION)
	mv bin/versitygw $@

unit: $(S3)
	go test $(TAGS) -timeout 20m ./...

race: $(S3)
	go test $(TAGS) -race -timeout 20m $(RACE)

# Accuracy, honesty and speed on scenes of known truth, beside their goals. Takes many minutes; no test.
# BENCH passes flags, as in make bench BENCH="-class hard -cache out/scenes"; -h lists them.
bench:
	@.ci/ready $(APT) -- go run $(TAGS) ./cmd/bench $(BENCH)

# A thousand photos in one process: open OpenCV matrices and memory. Takes minutes.
leaks:
	go test -tags "nodynamic matprofile" -run TestThousandPhotosLeaveNothing -count=1 -v -timeout 40m ./server/measure

# Fills archives of both kinds with the records of a million photos and measures searches. MILLION=20000
# is a short try. An hour or more; no test.
MILLION = 1000000
archive-million:
	@.ci/ready $(APT) $(APT_TEST) -- env BELTEND_TEST_MILLION=$(MILLION) go test $(TAGS) -timeout 12h -count 1 -v -run '^TestMillion$$' ./server/archive

# What one photo costs (processor, memory, bytes, rows, statements) and what 10, 1,000 and 100,000 sites ask
# for, by a simulated day. Some minutes; the page "How far it goes" in DEVELOPERS.md has what it said. No test.
capacity:
	@.ci/ready $(APT) $(APT_TEST) -- env BELTEND_CAPACITY=1 go test $(TAGS) -timeout 1h -count 1 -v -run '^TestCapacity$$' ./server/order

# Known vulnerabilities of what is built in (govulncheck) and risky patterns (gosec, by the linter). Asks the
# network; no test. What remains is explained in DEVELOPERS.md. Fails for a pattern or a vulnerability that was
# found; where the database of vulnerabilities is out of reach it ends by saying that they were not looked for.
VULN_VERSION = v1.1.4
VULN         = bin/govulncheck-$(VULN_VERSION)
security: $(LINT) $(VULN)
	$(LINT) run --allow-parallel-runners --timeout 15m --config .golangci-security.yml
	@$(VULN) $(VULN_DB:%=-db %) $(TAGS) ./... > bin/vulnerabilities.txt 2>&1; code=$$?; cat bin/vulnerabilities.txt; \
	case $$code in \
	0) ;; \
	3) echo "make security: known vulnerabilities are built in, named above."; exit 1 ;; \
	*) if grep -q '^govulncheck: fetching vulnerabilities: ' bin/vulnerabilities.txt; then \
		echo "make security: NOT CHECKED for known vulnerabilities: their database does not answer, so nothing is known about them."; \
		echo "  Run it where $(or $(VULN_DB),https://vuln.go.dev) is reached, or with a copy of it: make security VULN_DB=file:///COPY"; \
	else exit $$code; fi ;; esac

$(VULN):
	GOTOOLCHAIN=$$(go env GOVERSION) GOBIN=$(CURDIR)/bin go install golang.org/x/vuln/cmd/govulncheck@$(VULN_VERSION)
	mv bin/govulncheck $@

# Kills a writing archive and the whole service 200 times each and says what was lost; a hundred phones at once;
# ten thousand hostile files; database and photo store away; the disk full. make test does all of it a few times.
# An hour or so; full logs are long, grep 'survive_test' shows the figures.
archive-survive: $(S3)
	@.ci/ready $(APT) $(APT_TEST) -- env BELTEND_TEST_KILLS=200 BELTEND_TEST_SURVIVE=full go test $(TAGS) -timeout 3h -count 1 -v -run 'Kill|Survive' ./server/archive/... ./cmd/beltend

# Proves `make run` and `make test` on fresh Debian 12 and 13 systems; root only, takes a while.
chroot-proof:
	.ci/chroot-proof bookworm trixie

clean:
	rm -rf bin out
