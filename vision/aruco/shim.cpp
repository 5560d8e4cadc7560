#include "shim.h"

#include <cstdlib>
#include <cstring>
#include <exception>
#include <stdexcept>
#include <string>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/core/version.hpp>

// Up to 4.6 the detector is a function of the contrib module; from 4.7 on it is
// a class of objdetect.
#define BELTEND_ARUCO_CLASS (CV_VERSION_MAJOR > 4 || (CV_VERSION_MAJOR == 4 && CV_VERSION_MINOR >= 7))

#if BELTEND_ARUCO_CLASS
#include <opencv2/objdetect/aruco_detector.hpp>
#include <opencv2/objdetect/charuco_detector.hpp>
#else
#include <opencv2/aruco.hpp>
#include <opencv2/aruco/charuco.hpp>
#endif

namespace {

namespace ar = cv::aruco;

#if BELTEND_ARUCO_CLASS
using DictionaryName = ar::PredefinedDictionaryType;
#else
using DictionaryName = ar::PREDEFINED_DICTIONARY_NAME;
#endif

DictionaryName dictionary_name(const char *name) {
	static const struct {
		const char *name;
		DictionaryName value;
	} known[] = {
		{"4X4_50", ar::DICT_4X4_50}, {"4X4_100", ar::DICT_4X4_100},
		{"4X4_250", ar::DICT_4X4_250}, {"4X4_1000", ar::DICT_4X4_1000},
		{"5X5_50", ar::DICT_5X5_50}, {"5X5_100", ar::DICT_5X5_100},
		{"5X5_250", ar::DICT_5X5_250}, {"5X5_1000", ar::DICT_5X5_1000},
		{"6X6_50", ar::DICT_6X6_50}, {"6X6_100", ar::DICT_6X6_100},
		{"6X6_250", ar::DICT_6X6_250}, {"6X6_1000", ar::DICT_6X6_1000},
		{"7X7_50", ar::DICT_7X7_50}, {"7X7_100", ar::DICT_7X7_100},
		{"7X7_250", ar::DICT_7X7_250}, {"7X7_1000", ar::DICT_7X7_1000},
		{"ARUCO_ORIGINAL", ar::DICT_ARUCO_ORIGINAL},
		{"APRILTAG_16h5", ar::DICT_APRILTAG_16h5}, {"APRILTAG_25h9", ar::DICT_APRILTAG_25h9},
		{"APRILTAG_36h10", ar::DICT_APRILTAG_36h10}, {"APRILTAG_36h11", ar::DICT_APRILTAG_36h11},
	};
	for (const auto &k : known)
		if (std::strcmp(k.name, name) == 0) return k.value;
	throw std::invalid_argument(std::string("unknown marker dictionary ") + name);
}

char *copy_text(const char *text) {
	char *copy = strdup(text);
	if (copy == nullptr) std::abort(); // out of memory for a line of text
	return copy;
}

// Runs f and turns whatever it throws into an error text.
template <typename F> char *guarded(F f) {
	try {
		f();
		return nullptr;
	} catch (const std::exception &e) {
		return copy_text(e.what());
	} catch (...) {
		return copy_text("unknown C++ exception");
	}
}

} // namespace

// OpenCV keeps to the thread that calls it: photos are measured in processes of
// their own, as many as the machine bears, and its pool of threads would spend
// more on waiting than the small pieces of one photo give back.
static const bool one_thread = (cv::setNumThreads(1), true);

char *aruco_detect(const unsigned char *gray, int width, int height, size_t stride,
	const char *dict, aruco_options o, aruco_marker **markers, int *count) {
	*markers = nullptr;
	*count = 0;
	return guarded([&] {
		// A view of the caller's bytes; the detector only reads them.
		const cv::Mat image(height, width, CV_8UC1, const_cast<unsigned char *>(gray), stride);
		std::vector<std::vector<cv::Point2f>> corners;
		std::vector<int> ids;

		ar::DetectorParameters p;
		p.adaptiveThreshWinSizeMin = o.window_min;
		p.adaptiveThreshWinSizeMax = o.window_max;
		p.adaptiveThreshWinSizeStep = o.window_step;
		p.minMarkerPerimeterRate = o.min_perimeter_rate;
		p.cornerRefinementMethod = ar::CORNER_REFINE_NONE;
#if BELTEND_ARUCO_CLASS
		ar::ArucoDetector detector(ar::getPredefinedDictionary(dictionary_name(dict)), p);
		detector.detectMarkers(image, corners, ids);
#else
		ar::detectMarkers(image, ar::getPredefinedDictionary(dictionary_name(dict)), corners, ids,
			cv::makePtr<ar::DetectorParameters>(p));
#endif
		if (ids.empty()) return;
		auto *out = static_cast<aruco_marker *>(std::malloc(ids.size() * sizeof(aruco_marker)));
		if (out == nullptr) throw std::bad_alloc();
		for (size_t i = 0; i < ids.size(); i++) {
			out[i].id = ids[i];
			for (int k = 0; k < 4; k++) {
				out[i].corners[2 * k] = corners[i][k].x;
				out[i].corners[2 * k + 1] = corners[i][k].y;
			}
		}
		*markers = out;
		*count = static_cast<int>(ids.size());
	});
}

char *aruco_draw_marker(const char *dict, int id, int side, unsigned char *out) {
	return guarded([&] {
		cv::Mat image;
#if BELTEND_ARUCO_CLASS
		ar::generateImageMarker(ar::getPredefinedDictionary(dictionary_name(dict)), id, side, image, 1);
#else
		ar::drawMarker(ar::getPredefinedDictionary(dictionary_name(dict)), id, side, image, 1);
#endif
		image.copyTo(cv::Mat(side, side, CV_8UC1, out));
	});
}

char *aruco_draw_board(int cols, int rows, double square, double marker, const char *dict,
	int first_id, int width, int height, int margin, unsigned char *out) {
	return guarded([&] {
		const auto s = static_cast<float>(square), m = static_cast<float>(marker);
		std::vector<int> ids(static_cast<size_t>(cols) * rows / 2);
		for (size_t i = 0; i < ids.size(); i++) ids[i] = first_id + static_cast<int>(i);
		cv::Mat image;
#if BELTEND_ARUCO_CLASS
		ar::CharucoBoard board(cv::Size(cols, rows), s, m,
			ar::getPredefinedDictionary(dictionary_name(dict)), ids);
		board.generateImage(cv::Size(width, height), image, margin, 1);
#else
		auto board = ar::CharucoBoard::create(cols, rows, s, m,
			ar::getPredefinedDictionary(dictionary_name(dict)));
		board->setIds(ids);
		board->draw(cv::Size(width, height), image, margin, 1);
#endif
		image.copyTo(cv::Mat(height, width, CV_8UC1, out));
	});
}

const char *aruco_opencv_version(void) { return CV_VERSION; }
