#include "dicom/ct_reader.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <atomic>
#include <map>
#include <new>

#include "dicom/attributes.h"
#include "dicom/dcmtk_setup.h"
#include "dicom/header.h"
#include "dicom/pixels.h"
#include "dicom/series.h"
#include "dicom/stack.h"
#include "dicom/text.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using namespace dicom;

std::string shown(const fs::path& path) { return toUtf8(path.string(), ""); }

/// All regular files under `folder`, sorted so that nothing depends on the order the file system gives.
Result<std::vector<fs::path>> listFiles(const fs::path& folder, const Progress& progress) {
  std::error_code error;
  const auto status = fs::status(folder, error);
  if (error || !fs::exists(status))
    return fail(Fault::kRequest, "dicom.no_such_file_folder", shown(folder),
                Message("dicom.give_folder_holds_dicom_images"));
  std::vector<fs::path> files;
  if (fs::is_regular_file(status)) {
    files.push_back(folder);
    return files;
  }
  if (!fs::is_directory(status))
    return fail(Fault::kRequest, "dicom.neither_file_nor_folder", shown(folder),
                Message("dicom.give_folder_holds_dicom_images"));
  // Links to folders are not followed (they may form cycles); links to files are.
  fs::recursive_directory_iterator it(folder, fs::directory_options::skip_permission_denied, error);
  if (error)
    return fail(Fault::kRequest, Message("dicom.folder_cannot_read", {{"message", error.message()}}), shown(folder),
                Message("dicom.check_permissions"));
  for (const fs::recursive_directory_iterator end; it != end; it.increment(error)) {
    if (error)
      return fail(Fault::kImages, Message("dicom.folder_cannot_read_end", {{"message", error.message()}}),
                  shown(folder), Message("dicom.check_disk"));
    if (progress.cancelled()) return cancelledError();
    std::error_code ignored;
    if (it->is_regular_file(ignored)) files.push_back(it->path());
  }
  std::sort(files.begin(), files.end());
  return files;
}

/// "2 files that are not DICOM (notes.txt, ...), 1 DICOMDIR"; empty if all files are CT images.
List leftAside(const std::vector<ScanFile>& files) {
  struct Kind {
    Message name;
    std::size_t count = 0;
    std::string example;
  };
  std::vector<Kind> kinds;
  for (const ScanFile& f : files) {
    if (f.kind == ScanFile::Kind::kCt) continue;
    auto kind = std::ranges::find(kinds, f.kind_name, &Kind::name);
    if (kind == kinds.end()) kind = kinds.insert(kind, {f.kind_name, 0, f.name});
    ++kind->count;
  }
  std::vector<Message> parts;
  for (const Kind& k : kinds)
    parts.push_back({k.count > 1 ? "dicom.files_of_kind" : "dicom.file_of_kind",
                     {{"count", k.count}, {"kind", k.name}, {"file", k.example}}});
  return each(parts);
}

ScanInfo infoOf(const Stack& stack, const std::vector<ScanFile>& files) {
  const FrameHeader& frame = stack.frames[static_cast<std::size_t>(stack.plan->slices.front())];
  const ScanFile& f = files[static_cast<std::size_t>(frame.file)];
  const auto text = [&](const std::string& raw) { return toUtf8(raw, f.character_set); };
  ScanInfo info;
  info.patient_name = toUtf8(f.patient_name, f.character_set, "^=");
  info.patient_id = text(f.patient_id);
  info.patient_sex = text(f.patient_sex);
  info.patient_birth_date = text(f.patient_birth_date);
  info.study_uid = text(f.study_uid);
  info.study_date = text(f.study_date);
  info.study_description = text(f.study_description);
  info.accession = text(f.accession);
  info.series_uid = text(f.series_uid);
  info.series_description = text(f.series_description);
  info.series_number = text(f.series_number);
  info.frame_of_reference_uid = text(f.frame_of_reference_uid);
  info.manufacturer = text(f.manufacturer);
  info.model = text(f.model);
  info.kernel = stack.kernel;
  info.body_part = text(f.body_part);
  info.laterality = text(f.laterality);
  info.patient_position = text(f.patient_position);
  info.kvp = f.kvp;
  std::vector<int> used;
  for (const int s : stack.plan->slices) used.push_back(stack.frames[static_cast<std::size_t>(s)].file);
  std::sort(used.begin(), used.end());
  info.files = static_cast<std::size_t>(std::unique(used.begin(), used.end()) - used.begin());
  return info;
}

/// Frames at one place must be the same picture; compares them pixel by pixel.
Status checkDuplicates(const Stack& stack, const std::vector<ScanFile>& files, const Progress& progress) {
  const std::size_t size =
      static_cast<std::size_t>(stack.frames.front().rows) * static_cast<std::size_t>(stack.frames.front().columns);
  std::vector<std::int16_t> kept(size), dropped(size);
  for (const auto& [a, b] : stack.plan->duplicates) {
    const FrameJob jobs[] = {{&stack.frames[static_cast<std::size_t>(a)], kept.data()},
                             {&stack.frames[static_cast<std::size_t>(b)], dropped.data()}};
    const auto done = decodeFrames(files, jobs, progress);
    if (!done) return tl::unexpected(done.error());
    if (kept != dropped)
      return fail(
          Fault::kImages,
          Message("dicom.two_different_images_lie_one_place", {{"names", stack.names[static_cast<std::size_t>(a)]},
                                                               {"names_2", stack.names[static_cast<std::size_t>(b)]}}),
          stack.names[static_cast<std::size_t>(b)] + ", " + label(attr::kPosition),
          Message("dicom.series_mixes_two_acquisitions_reconstructions_export"));
  }
  return {};
}

/// In parallel. Empty if cancelled.
std::vector<ScanFile> readHeaders(const fs::path& folder, const std::vector<fs::path>& paths,
                                  const Progress& progress) {
  std::error_code ignored;
  const bool single = fs::is_regular_file(folder, ignored);
  std::vector<ScanFile> files(paths.size());
  std::atomic<std::size_t> done = 0;
  tbb::parallel_for(std::size_t{0}, files.size(), [&](std::size_t i) {
    if (progress.cancelled()) return;
    files[i] = readHeader(paths[i], shown(single ? paths[i].filename() : paths[i].lexically_relative(folder)));
    progress("reading_headers", static_cast<double>(++done) / static_cast<double>(files.size()));
  });
  return files;
}

/// The pixels of the stack, layer by layer, and what was noticed on the way.
struct Decoded {
  std::vector<std::int16_t> raw;
  DecodeStats stats;
};
Result<Decoded> decodeStack(const Stack& stack, const std::vector<ScanFile>& files, const Progress& progress) {
  const StackPlan& plan = *stack.plan;
  const FrameHeader& first = stack.frames.front();
  const std::size_t size = static_cast<std::size_t>(first.columns) * static_cast<std::size_t>(first.rows);
  Decoded out;
  out.raw.resize(size * static_cast<std::size_t>(plan.layers));
  std::vector<FrameJob> jobs;
  for (std::size_t i = 0; i < plan.slices.size(); ++i)
    jobs.push_back({&stack.frames[static_cast<std::size_t>(plan.slices[i])],
                    out.raw.data() + static_cast<std::size_t>(plan.layer[i]) * size});
  const auto stats = decodeFrames(files, jobs, progress);
  if (!stats) return tl::unexpected(stats.error());
  out.stats = *stats;
  return out;
}

/// Cautions about the slices.
std::vector<Message> stackCautions(const Stack& stack, const std::vector<ScanFile>& files, const DecodeStats& stats) {
  const StackPlan& plan = *stack.plan;
  const FrameHeader& first = stack.frames.front();
  const auto fileOf = [&](const FrameHeader& f) -> const ScanFile& { return files[static_cast<std::size_t>(f.file)]; };
  std::vector<Message> cautions;
  if (!plan.duplicates.empty()) {
    const auto& [kept, dropped] = plan.duplicates.front();
    cautions.push_back(Message("dicom.slice_lay_place_another_same_pixels",
                               {{"duplicates", plan.duplicates.size()},
                                {"names", stack.names[static_cast<std::size_t>(dropped)]},
                                {"names_2", stack.names[static_cast<std::size_t>(kept)]}}));
  }
  cautions.insert(cautions.end(), plan.notes.begin(), plan.notes.end());
  if (stats.padding_voxels > 0 && stats.padding_hu > -500)
    cautions.push_back(
        Message("dicom.voxels_hold_pixel_padding_value_0028",
                {{"padding_voxels", stats.padding_voxels}, {"padding", Quantity{stats.padding_hu, Unit::kHu, 0}}}));
  if (std::any_of(stack.frames.begin(), stack.frames.end(), [&](const FrameHeader& f) { return fileOf(f).lossy; }))
    cautions.push_back(Message("dicom.images_compressed_loss_lossy_image_compression"));
  if (fileOf(first).monochrome1)
    cautions.push_back(Message("dicom.photometric_interpretation_0028_0004_monochrome1_concerns"));
  if (lower(fileOf(first).rescale_type) == "hu_mod") cautions.push_back(Message("dicom.rescale_type_0028_1054_hu_mod"));
  if (plan.median_spacing > 1.25)
    cautions.push_back(
        Message("dicom.slices_apart_joint_gaps_thin_cortex", {{"median_spacing", mm(plan.median_spacing, -3)}}));
  if (first.thickness > 0 && first.thickness < 0.7 * plan.median_spacing)
    cautions.push_back(
        Message("dicom.slices_thick_but_apart_bone_between",
                {{"thickness", mm(first.thickness, -3)}, {"median_spacing", mm(plan.median_spacing, -3)}}));
  return cautions;
}

/// Whether the values can be Hounsfield units.
void checkRange(const CtVolume& volume, std::vector<Message>& cautions) {
  const auto [least, most] = std::minmax_element(volume.voxels.begin(), volume.voxels.end());
  if (*least > -300)  // ours: the air around the foot is below -900 HU
    cautions.push_back(Message("dicom.no_air_seen_images_least_value", {{"least", *least}}));
  else if (*most < 150)
    cautions.push_back(Message("dicom.no_bone_seen_images_greatest_value", {{"most", *most}}));
}

Result<CtScan> readScan(const fs::path& folder, const ReadSettings& settings, const Progress& progress) {
  prepareDcmtk();
  const auto paths = listFiles(folder, progress);
  if (!paths) return tl::unexpected(paths.error());
  if (paths->empty())
    return fail(Fault::kImages, "dicom.folder_empty", shown(folder),
                Message("dicom.give_folder_holds_dicom_images_ct"));
  const std::vector<ScanFile> files = readHeaders(folder, *paths, progress);
  if (progress.cancelled()) return cancelledError();
  const List aside = leftAside(files);
  if (std::none_of(files.begin(), files.end(), [](const ScanFile& f) { return f.kind == ScanFile::Kind::kCt; }))
    return fail(Fault::kImages, Message("dicom.no_ct_image_here_found", {{"aside", aside}}), shown(folder),
                Message("dicom.give_folder_ct_series_modality_0008"));

  const SortedScan scan = sortIntoStacks(files);
  const auto choice = chooseStack(scan, settings.series);
  if (!choice) return tl::unexpected(choice.error());
  const Stack& stack = scan.stacks[static_cast<std::size_t>(choice->stack)];
  if (auto same = checkDuplicates(stack, files, progress); !same) return tl::unexpected(same.error());
  auto decoded = decodeStack(stack, files, progress);
  if (!decoded) return tl::unexpected(decoded.error());

  CtScan result;
  result.info = infoOf(stack, files);
  result.cautions = choice->notes;
  for (Message& text : stackCautions(stack, files, decoded->stats)) result.cautions.push_back(std::move(text));
  if (!aside.items.empty()) result.cautions.push_back(Message("dicom.left_aside", {{"aside", aside}}));
  result.volume =
      finishStack(std::move(decoded->raw), *stack.plan, stack.frames.front().columns, stack.frames.front().rows);
  checkRange(result.volume, result.cautions);
  progress("reading_slices", 1.0);
  return result;
}

}  // namespace

Result<CtScan> readCt(const fs::path& folder, const ReadSettings& settings, const Progress& progress) {
  try {
    return readScan(folder, settings, progress);
  } catch (const std::bad_alloc&) {
    return fail(Fault::kImages, "dicom.images_need_more_memory", shown(folder),
                Message("dicom.choose_series_covers_only_foot"));
  } catch (const fs::filesystem_error& e) {
    return fail(Fault::kInternal, {"dicom.file_system", {{"why", e.code().message()}}}, shown(e.path1()),
                Message("dicom.check_disk_permissions"));
  } catch (const std::exception& e) {  // a library met something unexpected
    return fail(Fault::kImages, Message("dicom.images_cannot_read", {{"what", e.what()}}), shown(folder),
                Message("dicom.copy_export_series_again"));
  }
}

}  // namespace rayset
