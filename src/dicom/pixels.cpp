#include "dicom/pixels.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dcfcache.h>
#include <dcmtk/dcmdata/dcpixseq.h>
#include <dcmtk/dcmdata/dcpxitem.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <map>
#include <mutex>

#include "dicom/attributes.h"
#include "dicom/dcmtk_setup.h"
#include "dicom/rle.h"
#include "dicom/stack.h"

namespace rayset::dicom {
namespace {

constexpr const char* kCopyAgain = "dicom.copy_export_series_again_file_cut";
constexpr std::size_t kFramesPerTask = 32;  // of a multi-frame file: each task parses the header once more

Error pixelError(const std::string& name, Message what) {
  return Error{Fault::kImages, std::move(what), name + ", " + label(attr::kPixelData), kCopyAgain};
}

template <class Word>
void convert(const Word* stored, std::size_t count, const PixelFormat& format, double slope, double intercept,
             std::int16_t* out, DecodeStats& stats) {
  const int shift = format.high_bit + 1 - format.bits_stored;
  const int mask = static_cast<int>((1u << format.bits_stored) - 1);
  const int sign = format.is_signed ? 1 << (format.bits_stored - 1) : 0;
  // Bits above Bits Stored may hold overlays or nothing: masked, then the sign extended ((x ^ s) - s).
  const auto value = [&](Word w) { return (((static_cast<int>(w) >> shift) & mask) ^ sign) - sign; };
  const bool whole = slope == 1 && intercept == std::floor(intercept) && std::abs(intercept) < 1e6;
  if (whole) {
    const int add = static_cast<int>(intercept);
    for (std::size_t i = 0; i < count; ++i)
      out[i] = static_cast<std::int16_t>(std::clamp(value(stored[i]) + add, static_cast<int>(kAir), 32767));
  } else {
    for (std::size_t i = 0; i < count; ++i) {
      const double hu = std::clamp(value(stored[i]) * slope + intercept, static_cast<double>(kAir), 32767.0);
      out[i] = static_cast<std::int16_t>(static_cast<int>(hu + 32768.5) - 32768);  // round half up
    }
  }
  if (!format.has_padding) return;
  for (std::size_t i = 0; i < count; ++i) {
    const int v = value(stored[i]);
    // Some writers give the padding value of the whole word even if fewer bits are stored.
    const int word =
        format.is_signed ? static_cast<int>(static_cast<std::int16_t>(stored[i])) : static_cast<int>(stored[i]);
    if ((v >= format.padding_low && v <= format.padding_high) ||
        (word >= format.padding_low && word <= format.padding_high)) {
      out[i] = kAir;
      if (stats.padding_voxels++ == 0) stats.padding_hu = v * slope + intercept;
      stats.padding_hu = std::max(stats.padding_hu, v * slope + intercept);
    }
  }
}

struct Task {
  int file;
  std::vector<FrameJob> jobs;
};

/// Decodes some frames of one file and hands each frame's words to `take(which, words)`; `name` names a frame in
/// messages.
template <class Name, class Take>
Status eachFrame(const ScanFile& file, std::span<const int> frames, const Name& name, const Take& take) {
  const PixelFormat& format = file.pixels;
  DcmFileFormat dicom;
  const OFCondition loaded = dicom.loadFile(file.path.c_str());
  DcmDataset* data = dicom.getDataset();
  DcmElement* element = nullptr;
  data->findAndGetElement(DCM_PixelData, element);
  auto* pixels = dynamic_cast<DcmPixelData*>(element);
  if (loaded.bad())
    return tl::unexpected(
        pixelError(file.name, Message("dicom.file_ends_before_pixel_data_do", {{"text", loaded.text()}})));
  if (!pixels) return tl::unexpected(pixelError(file.name, Message("dicom.image_has_no_pixel_data")));
  const std::size_t frame_bytes = format.bytesPerFrame();
  if (!format.encapsulated) {
    const double needed = static_cast<double>(frame_bytes) * static_cast<double>(format.frames);
    const double found = pixels->getLength(data->getOriginalXfer());
    if (found < needed)
      return tl::unexpected(
          pixelError(file.name, Message("dicom.pixel_data_cut_short_bytes_where", {{"found", number(found, 0)},
                                                                                   {"rows", format.rows},
                                                                                   {"columns", format.columns},
                                                                                   {"frames", format.frames},
                                                                                   {"needed", number(needed, 0)}})));
  }
  // Some decoders write a frame padded to an even number of bytes.
  std::vector<std::uint16_t> buffer(frame_bytes / 2 + 1);
  DcmFileCache cache;
  Uint32 fragment = 0;
  const bool rle = data->getOriginalXfer() == EXS_RLELossless;
  DcmPixelSequence* fragments = nullptr;
  if (rle) {
    pixels->getEncapsulatedRepresentation(EXS_RLELossless, nullptr, fragments);
    // PS3.5 A.4.2: each frame in one fragment; the first item is the offset table.
    if (!fragments || static_cast<long long>(fragments->card()) != format.frames + 1)
      return tl::unexpected(pixelError(
          file.name,
          Message("dicom.rle_fragments_frame",
                  {{"fragments", fragments ? std::max(1ul, fragments->card()) - 1 : 0}, {"frames", format.frames}})));
  }
  for (std::size_t which = 0; which < frames.size(); ++which) {
    Message wrong;
    if (rle) {
      DcmPixelItem* item = nullptr;
      Uint8* bytes = nullptr;
      if (fragments->getItem(item, static_cast<unsigned long>(frames[which]) + 1).bad() ||
          item->getUint8Array(bytes).bad() || !bytes) {
        wrong = Message("dicom.no_data");
      } else {
        const std::size_t pixel_count =
            static_cast<std::size_t>(format.rows) * static_cast<std::size_t>(format.columns);
        const char* fault = decodeRle({bytes, item->getLength()}, pixel_count, format.bits_allocated / 8,
                                      reinterpret_cast<std::uint8_t*>(buffer.data()));
        if (fault) wrong = fault;
      }
    } else {
      OFString colour;
      const std::size_t room = frame_bytes + (frame_bytes & 1);
      const OFCondition got = pixels->getUncompressedFrame(data, static_cast<Uint32>(frames[which]), fragment,
                                                           buffer.data(), static_cast<Uint32>(room), colour, &cache);
      if (got.bad()) wrong = Message::quoted(got.text());
    }
    if (!wrong.empty())
      return tl::unexpected(pixelError(
          name(which),
          Message("dicom.pixel_data_cannot", {{"packed", format.encapsulated ? "yes" : "no"}, {"wrong", wrong}})));
    take(which, buffer.data());
  }
  return {};
}

Result<DecodeStats> decodeFile(const ScanFile& file, std::span<const FrameJob> jobs) {
  DecodeStats stats;
  std::vector<int> frames;
  for (const FrameJob& job : jobs) frames.push_back(job.frame->frame);
  const Status done = eachFrame(
      file, frames, [&](std::size_t which) { return frameName(file, *jobs[which].frame); },
      [&](std::size_t which, const void* words) {
        const FrameJob& job = jobs[which];
        storedToHu(words, file.pixels, job.frame->slope, job.frame->intercept, job.out, stats);
      });
  if (!done) return tl::unexpected(done.error());
  return stats;
}

}  // namespace

void storedToHu(const void* stored, const PixelFormat& format, double slope, double intercept, std::int16_t* out,
                DecodeStats& stats) {
  const std::size_t count = static_cast<std::size_t>(format.rows) * static_cast<std::size_t>(format.columns);
  if (format.bits_allocated == 8)
    convert(static_cast<const std::uint8_t*>(stored), count, format, slope, intercept, out, stats);
  else
    convert(static_cast<const std::uint16_t*>(stored), count, format, slope, intercept, out, stats);
}

Result<std::vector<int>> decodeStored(const ScanFile& file, int frame) {
  prepareDcmtk();
  const PixelFormat& format = file.pixels;
  std::vector<int> values(static_cast<std::size_t>(format.rows) * static_cast<std::size_t>(format.columns));
  const auto unpack = [&](const auto* words) {
    const int shift = format.high_bit + 1 - format.bits_stored;
    const int mask = static_cast<int>((1u << format.bits_stored) - 1);
    const int sign = format.is_signed ? 1 << (format.bits_stored - 1) : 0;
    for (std::size_t i = 0; i < values.size(); ++i)
      values[i] = (((static_cast<int>(words[i]) >> shift) & mask) ^ sign) - sign;
  };
  const int frames[] = {frame};
  const Status done = eachFrame(
      file, frames,
      [&](std::size_t) { return format.frames > 1 ? fmt::format("{}, frame {}", file.name, frame + 1) : file.name; },
      [&](std::size_t, const void* words) {
        if (format.bits_allocated == 8)
          unpack(static_cast<const std::uint8_t*>(words));
        else
          unpack(static_cast<const std::uint16_t*>(words));
      });
  if (!done) return tl::unexpected(done.error());
  return values;
}

Result<DecodeStats> decodeFrames(const std::vector<ScanFile>& files, std::span<const FrameJob> jobs,
                                 const Progress& progress) {
  prepareDcmtk();
  std::map<int, std::vector<FrameJob>> by_file;
  for (const FrameJob& job : jobs) by_file[job.frame->file].push_back(job);
  std::vector<Task> tasks;
  for (auto& [file, list] : by_file) {
    std::sort(list.begin(), list.end(),
              [](const FrameJob& a, const FrameJob& b) { return a.frame->frame < b.frame->frame; });
    // A deflated file must be inflated from its start by each task: one task only.
    const std::size_t chunk = files[static_cast<std::size_t>(file)].pixels.deflated ? list.size() : kFramesPerTask;
    for (std::size_t i = 0; i < list.size(); i += chunk)
      tasks.push_back({file,
                       {list.begin() + static_cast<std::ptrdiff_t>(i),
                        list.begin() + static_cast<std::ptrdiff_t>(std::min(list.size(), i + chunk))}});
  }
  std::vector<Result<DecodeStats>> results(tasks.size(), DecodeStats{});
  std::atomic<std::size_t> done = 0;
  std::atomic<bool> failed = false;
  tbb::parallel_for(std::size_t{0}, tasks.size(), [&](std::size_t t) {
    if (progress.cancelled() || failed.load(std::memory_order_relaxed)) return;
    results[t] = decodeFile(files[static_cast<std::size_t>(tasks[t].file)], tasks[t].jobs);
    if (!results[t]) failed = true;
    progress("reading_slices", static_cast<double>(++done) / static_cast<double>(tasks.size()));
  });
  if (progress.cancelled()) return cancelledError();
  DecodeStats sum;
  if (failed) {
    // Which task failed first depends on the threads; going through in order keeps the message the same.
    for (std::size_t t = 0; t < tasks.size(); ++t) {
      auto again = results[t] ? decodeFile(files[static_cast<std::size_t>(tasks[t].file)], tasks[t].jobs) : results[t];
      if (!again) return tl::unexpected(again.error());
    }
  }
  for (const auto& r : results) {
    if (r->padding_voxels == 0) continue;
    sum.padding_hu = sum.padding_voxels == 0 ? r->padding_hu : std::max(sum.padding_hu, r->padding_hu);
    sum.padding_voxels += r->padding_voxels;
  }
  return sum;
}

}  // namespace rayset::dicom
