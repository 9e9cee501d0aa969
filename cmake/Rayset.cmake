set(RAYSET_WARNINGS -Wall -Wextra -Wpedantic -Wshadow -Wnon-virtual-dtor -Woverloaded-virtual -Wcast-align -Wnull-dereference
  -Wdouble-promotion -Wformat=2 -Werror)
# GCC 12 reports null dereferences and array bounds inside inlined library templates at -O3 that are not there.
if(CMAKE_CXX_COMPILER_ID STREQUAL "GNU")
  list(APPEND RAYSET_WARNINGS -Wno-error=null-dereference -Wno-null-dereference -Wno-array-bounds -Wno-maybe-uninitialized
    -Wno-stringop-overflow)
endif()

function(rayset_settings target)
  target_compile_options(${target} PRIVATE ${RAYSET_WARNINGS})
  if(RAYSET_SANITIZE)
    target_compile_options(${target} PUBLIC -fsanitize=${RAYSET_SANITIZE} -fno-omit-frame-pointer -fno-sanitize-recover=all)
    target_link_options(${target} PUBLIC -fsanitize=${RAYSET_SANITIZE})
  endif()
endfunction()

# Each FOLDER/NAME.cpp defines `TYPE NAMESPACE::NAME()`, where NAMESPACE is the folder's name; the list of them is written
# here, so that a new kind is a matter of one file. HEADER declares TYPE; FUNCTION returns all of them.
function(rayset_kinds into folder header type function)
  file(GLOB kinds CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/src/${folder}/*.cpp)
  get_filename_component(namespace ${folder} NAME)
  set(declared)
  set(listed)
  foreach(file ${kinds})
    get_filename_component(kind ${file} NAME_WE)
    string(APPEND declared "${type} ${kind}();\n")
    string(APPEND listed "          ${namespace}::${kind}(),\n")
  endforeach()
  set(made ${CMAKE_BINARY_DIR}/${namespace}.cpp)
  file(CONFIGURE OUTPUT ${made} @ONLY CONTENT [[
// Made by cmake/Rayset.cmake from src/@folder@/.
#include "@header@"

namespace rayset {
namespace @namespace@ {
@declared@}  // namespace @namespace@
std::vector<@type@> @function@();
std::vector<@type@> @function@() {
  return {
@listed@  };
}
}  // namespace rayset
]])
  set(${into} ${${into}} ${kinds} ${made} PARENT_SCOPE)
endfunction()

# One static library a folder of src/: rayset_<name>. The last of them on the way to other people's programs, `library`, is
# the shared one that holds those before it.
function(rayset_stage name)
  cmake_parse_arguments(A "" "" "DEPENDS;PRIVATE" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/src/${name}/*.cpp)
  if(NOT sources)
    add_library(rayset_${name} INTERFACE)
    target_include_directories(rayset_${name} INTERFACE ${CMAKE_SOURCE_DIR}/src)
    target_link_libraries(rayset_${name} INTERFACE ${A_DEPENDS})
    return()
  endif()
  if(name STREQUAL "workspace")
    rayset_kinds(sources workspace/edit_kinds workspace/edit_registry.h std::vector<EditKind> editKindsByFile)
  elseif(name STREQUAL "fixation")
    rayset_kinds(sources fixation/device_kinds fixation/device_model.h DeviceModel deviceModels)
  endif()
  if(name STREQUAL "library")
    add_library(rayset_library SHARED ${sources})
    target_include_directories(rayset_library PRIVATE ${CMAKE_SOURCE_DIR}/src)
  else()
    add_library(rayset_${name} STATIC ${sources})
    target_include_directories(rayset_${name} PUBLIC ${CMAKE_SOURCE_DIR}/src)
  endif()
  target_link_libraries(rayset_${name} PUBLIC ${A_DEPENDS} PRIVATE ${A_PRIVATE})
  # For librayset.so. Hidden, so that the program's code stays as it was: no call goes through a shared library's tables.
  set_target_properties(rayset_${name} PROPERTIES POSITION_INDEPENDENT_CODE ON CXX_VISIBILITY_PRESET hidden)
  if("rayset_openvdb" IN_LIST A_PRIVATE)
    # OpenVDB keeps flags and names of its grid types in static members of templates, which our code and its library must
    # share: half of them hidden, initialize() crashes.
    set_target_properties(rayset_${name} PROPERTIES CXX_VISIBILITY_PRESET default)
  endif()
  rayset_settings(rayset_${name})
endfunction()

function(rayset_app)
  file(GLOB sources CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/apps/rayset/*.cpp)
  if(sources)
    add_executable(rayset ${sources})
    target_link_libraries(rayset PRIVATE rayset_runs rayset_phantom rayset_server)
    target_compile_definitions(rayset PRIVATE RAYSET_VERSION="${PROJECT_VERSION}")
    set_source_files_properties(${CMAKE_SOURCE_DIR}/apps/rayset/folders.cpp PROPERTIES COMPILE_DEFINITIONS
      "RAYSET_BUILD_DIR=\"${CMAKE_BINARY_DIR}\";RAYSET_SOURCE_DIR=\"${CMAKE_SOURCE_DIR}\"")
    rayset_settings(rayset)
  endif()
endfunction()

# tests/<stage>/*.cpp become the executable test_<stage>, linked with everything the stage may use.
function(rayset_tests)
  include(GoogleTest)
  file(GLOB folders RELATIVE ${CMAKE_SOURCE_DIR}/tests ${CMAKE_SOURCE_DIR}/tests/*)
  foreach(folder ${folders})
    file(GLOB sources CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/tests/${folder}/*.cpp)
    if(NOT sources)
      continue()
    endif()
    add_executable(test_${folder} ${sources})
    if(TARGET rayset_${folder})
      target_link_libraries(test_${folder} PRIVATE rayset_${folder})
    endif()
    if(folder STREQUAL "dicom")
      target_link_libraries(test_${folder} PRIVATE rayset_dcmtk ZLIB::ZLIB)
    elseif(folder MATCHES "^(image|bones|xray)$")
      target_link_libraries(test_${folder} PRIVATE rayset_itk)
    endif()
    if(folder MATCHES "^(bones|injury|reduction|fixation|xray|case|report|program)$")
      target_link_libraries(test_${folder} PRIVATE rayset_phantom) # invented patients to work on
    endif()
    if(folder STREQUAL "store")
      target_link_libraries(test_store PRIVATE SQLite::SQLite3) # looks at the file from outside
    endif()
    if(folder STREQUAL "films")
      target_link_libraries(test_films PRIVATE rayset_report) # reads the report back, and runs the program
      add_dependencies(test_films rayset)
    endif()
    if(folder MATCHES "^(case|report|program|published)$")
      target_link_libraries(test_${folder} PRIVATE rayset_report rayset_phantom)
    endif()
    if(folder MATCHES "^(workspace|server)$")
      target_link_libraries(test_${folder} PRIVATE rayset_phantom rayset_http)
      add_dependencies(test_${folder} rayset) # plans made by the program, and the program as a server
    endif()
    if(folder MATCHES "^(reduction|xray)$") # the list of real feet, ITK's ray casting: shared with the benchmarks
      target_include_directories(test_${folder} PRIVATE ${CMAKE_SOURCE_DIR}/bench)
    endif()
    if(folder STREQUAL "accuracy") # summary and baseline of the benchmark; its runs are the test accuracy.subset
      target_sources(test_accuracy PRIVATE ${CMAKE_SOURCE_DIR}/bench/accuracy/baseline.cpp
        ${CMAKE_SOURCE_DIR}/bench/accuracy/summary.cpp)
      target_include_directories(test_accuracy PRIVATE ${CMAKE_SOURCE_DIR}/bench)
      target_link_libraries(test_accuracy PRIVATE rayset_geometry)
    endif()
    target_link_libraries(test_${folder} PRIVATE rayset_language GTest::gmock GTest::gtest_main)
    target_include_directories(test_${folder} PRIVATE ${CMAKE_SOURCE_DIR}/tests)
    target_compile_definitions(test_${folder} PRIVATE
      RAYSET_DATA_DIR="${CMAKE_SOURCE_DIR}/data"
      RAYSET_PROGRAM="${CMAKE_BINARY_DIR}/rayset"
      RAYSET_FEET_DIR="${CMAKE_SOURCE_DIR}/../shared/data/feet")
    rayset_settings(test_${folder})
    target_compile_options(test_${folder} PRIVATE -O1) # what is tested is optimised; the tests compile a third faster
    # unit: one part on small input, seconds; stage: a whole stage on a foot; system: the program as a whole.
    set(kind unit)
    if(folder MATCHES "^(bones|reduction|phantom|xray|case)$")
      set(kind stage)
    elseif(folder MATCHES "^(library|workspace|program)$")
      set(kind system)
    endif()
    set_property(GLOBAL APPEND PROPERTY RAYSET_${kind}_TESTS test_${folder})
    set(properties TIMEOUT 600 LABELS ${kind})
    if(folder STREQUAL "program")
      # One invented patient for all that look at the program from outside, made and planned by the program itself.
      set(phantom ${CMAKE_BINARY_DIR}/test-phantom)
      set(plan ${CMAKE_BINARY_DIR}/test-plan)
      target_compile_definitions(test_program PRIVATE RAYSET_PHANTOM_DIR="${phantom}" RAYSET_PLAN_DIR="${plan}")
      target_compile_definitions(test_program PRIVATE RAYSET_BUILD_DIR="${CMAKE_BINARY_DIR}"
        RAYSET_VERSION="${PROJECT_VERSION}" RAYSET_CXX="${CMAKE_CXX_COMPILER}")
      add_dependencies(test_program rayset rayset_papers rayset_library)
      add_test(NAME program.phantom COMMAND rayset phantom --out ${phantom} --force --seed 5 --side left
        --injury divergent --spacing 0.6 --slice 0.6)
      set_tests_properties(program.phantom PROPERTIES FIXTURES_SETUP phantom TIMEOUT 600 COST 400 LABELS system)
      add_test(NAME program.plan COMMAND rayset plan ${phantom}/ct --out ${plan} --force --quiet)
      set_tests_properties(program.plan PROPERTIES FIXTURES_REQUIRED phantom FIXTURES_SETUP planned TIMEOUT 600 COST 390
        LABELS system)
      list(APPEND properties FIXTURES_REQUIRED planned COST 300) # the longest first: nothing is left to wait for alone
    endif()
    if(folder STREQUAL "library") # reads that plan, and makes it anew
      target_compile_definitions(test_library PRIVATE RAYSET_PHANTOM_DIR="${CMAKE_BINARY_DIR}/test-phantom"
        RAYSET_PLAN_DIR="${CMAKE_BINARY_DIR}/test-plan" RAYSET_VERSION="${PROJECT_VERSION}")
      target_link_libraries(test_library PRIVATE nlohmann_json::nlohmann_json)
      add_dependencies(test_library rayset) # makes the films that are checked
      list(APPEND properties FIXTURES_REQUIRED planned)
    endif()
    if(folder STREQUAL "workspace") # opens that plan
      target_link_libraries(test_workspace PRIVATE ZLIB::ZLIB)
      target_compile_definitions(test_workspace PRIVATE RAYSET_PHANTOM_DIR="${CMAKE_BINARY_DIR}/test-phantom"
        RAYSET_PLAN_DIR="${CMAKE_BINARY_DIR}/test-plan")
      list(APPEND properties FIXTURES_REQUIRED planned)
    endif()
    # Suites that share a foot, scan or plan made once: one process for the suite, not one for each of its tests.
    set(whole)
    if(folder STREQUAL "bones")
      set(whole Fragments)
    elseif(folder STREQUAL "case")
      set(whole Poses Landmarks Corrections AnotherSegmenter)
    elseif(folder STREQUAL "program")
      set(whole Installed)
    elseif(folder STREQUAL "library")
      set(whole OpenedPlan)
    elseif(folder STREQUAL "phantom")
      set(whole Injury Contact)
    elseif(folder STREQUAL "xray")
      set(whole Bodies FilmRegistration)
    elseif(folder STREQUAL "workspace")
      set(whole EditedCase)
    endif()
    set(singly)
    foreach(suite ${whole})
      add_test(NAME ${folder}.${suite} COMMAND test_${folder} --gtest_filter=${suite}.*)
      set_tests_properties(${folder}.${suite} PROPERTIES ${properties} COST 200)
      list(APPEND singly "${suite}.*")
    endforeach()
    if(singly)
      list(JOIN singly ":" singly)
      set(singly TEST_FILTER "-${singly}")
    endif()
    gtest_discover_tests(test_${folder} TEST_PREFIX ${folder}. DISCOVERY_TIMEOUT 60 ${singly} PROPERTIES ${properties})
  endforeach()
endfunction()

# What ./test --quick builds.
function(rayset_unit_tests)
  get_property(tests GLOBAL PROPERTY RAYSET_unit_TESTS)
  add_custom_target(unit_tests DEPENDS ${tests})
endfunction()

# The page in a real browser: web/tests, against the program (./test builds the page first).
function(rayset_page_tests)
  find_program(NODE node)
  if(NOT NODE OR NOT CMAKE_BUILD_TYPE STREQUAL "Release" OR RAYSET_SANITIZE)
    return()
  endif()
  add_test(NAME page COMMAND ${NODE} ${CMAKE_SOURCE_DIR}/web/tests/run.mjs --again
    a11y edits films keyboard kill places touch two) # the others with `npm test` in web/
  set(patient "RAYSET_DEMO_IMAGES=${CMAKE_BINARY_DIR}/test-phantom/ct;RAYSET_DEMO_PLAN=${CMAKE_BINARY_DIR}/test-plan")
  set_tests_properties(page PROPERTIES ENVIRONMENT "RAYSET_PROGRAM=${CMAKE_BINARY_DIR}/rayset;${patient}" RUN_SERIAL TRUE
    FIXTURES_REQUIRED planned TIMEOUT 1500 COST 900 LABELS browser)
endfunction()

# bench/<folder>/*.cpp become the executable bench_<folder>.
function(rayset_benchmarks)
  foreach(folder accuracy confidence drag films fixation reduction speed views xray)
    file(GLOB sources CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/bench/${folder}/*.cpp)
    if(NOT sources)
      continue()
    endif()
    add_executable(bench_${folder} ${sources})
    if(folder STREQUAL "reduction")
      target_link_libraries(bench_reduction PRIVATE rayset_reduction rayset_phantom) # needs no images: quick to build
    elseif(folder STREQUAL "fixation") # judged as in the accuracy matrix
      target_sources(bench_fixation PRIVATE ${CMAKE_SOURCE_DIR}/bench/accuracy/screw_check.cpp)
      target_link_libraries(bench_fixation PRIVATE rayset_case rayset_phantom)
    elseif(folder STREQUAL "xray")
      target_link_libraries(bench_xray PRIVATE rayset_xray rayset_itk)
    else()
      target_link_libraries(bench_${folder} PRIVATE rayset_report rayset_phantom rayset_itk)
    endif()
    if(folder STREQUAL "films") # the feet of the accuracy matrix, the ray casting of bench/xray
      target_sources(bench_films PRIVATE ${CMAKE_SOURCE_DIR}/bench/accuracy/cases.cpp)
    endif()
    if(folder STREQUAL "views")
      target_link_libraries(bench_views PRIVATE rayset_workspace)
    endif()
    if(folder STREQUAL "drag")
      target_link_libraries(bench_drag PRIVATE rayset_workspace)
    endif()
    if(folder STREQUAL "speed")
      target_link_libraries(bench_${folder} PRIVATE benchmark::benchmark)
    endif()
    target_link_libraries(bench_${folder} PRIVATE rayset_language)
    target_include_directories(bench_${folder} PRIVATE ${CMAKE_SOURCE_DIR}/bench)
    target_compile_definitions(bench_${folder} PRIVATE RAYSET_DATA_DIR="${CMAKE_SOURCE_DIR}/data"
      RAYSET_FEET_DIR="${CMAKE_SOURCE_DIR}/../shared/data/feet")
    rayset_settings(bench_${folder})
  endforeach()
  # A small part of the accuracy matrix against stored figures; minutes in a release build, hours in any other.
  if(RAYSET_TESTS AND CMAKE_BUILD_TYPE STREQUAL "Release" AND NOT RAYSET_SANITIZE)
    add_test(NAME accuracy.subset COMMAND bench_accuracy --subset ci --check ${CMAKE_SOURCE_DIR}/bench/accuracy/baseline.json)
    set_tests_properties(accuracy.subset PROPERTIES LABELS "system;accuracy" TIMEOUT 1800 PROCESSORS 2 COST 1000)
  endif()
endfunction()
