# The service in a container:
#   docker build -t beltend .
#   docker run --rm --network host -v beltend:/data beltend
#
# The service answers on 127.0.0.1 only, as everywhere; on the host's network that is the host
# itself, and no other machine reaches it. With accounts it answers elsewhere too; see README.
#
# Debian 13 for both stages: it packages the Go that go.mod asks for and OpenCV 4.10, and the
# binary runs on exactly the libraries it was linked with.

FROM debian:trixie-slim AS build
RUN apt-get update \
 && apt-get install -y --no-install-recommends \
      ca-certificates g++ golang-go libjpeg-dev libopencv-contrib-dev libopencv-dev pkg-config \
 && rm -rf /var/lib/apt/lists/*
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN go build -trimpath -tags nodynamic -o /beltend ./cmd/beltend

FROM debian:trixie-slim
# What the OpenCV binding links; it names more modules than a measurement uses.
RUN apt-get update \
 && apt-get install -y --no-install-recommends \
      ca-certificates libjpeg62-turbo \
      libopencv-calib3d410 libopencv-core410 libopencv-dnn410 libopencv-features2d410 \
      libopencv-highgui410 libopencv-imgcodecs410 libopencv-imgproc410 libopencv-objdetect410 \
      libopencv-photo410 libopencv-video410 libopencv-videoio410 \
 && rm -rf /var/lib/apt/lists/* \
 && useradd --uid 10001 --home-dir /data --create-home --shell /usr/sbin/nologin beltend
COPY LICENSE /usr/share/doc/beltend/
COPY --from=build /beltend /usr/local/bin/beltend
# A library missing from the list above ends the build here.
RUN ["beltend", "--help"]

USER 10001:10001
ENV BELTEND_DATA=/data
WORKDIR /data
VOLUME /data
EXPOSE 8080
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s CMD ["beltend", "health"]
ENTRYPOINT ["beltend"]
CMD ["serve"]
