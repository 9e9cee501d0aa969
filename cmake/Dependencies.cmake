# Everything comes from Debian 12; docs/dependencies.md says which version and why.
find_package(fmt REQUIRED)
find_package(tl-expected REQUIRED)
find_package(nlohmann_json REQUIRED)
find_package(utf8cpp REQUIRED) # UTF-8 (base/utf8.h)
find_package(Eigen3 3.4 REQUIRED)
find_package(embree 3.13 REQUIRED)
find_package(TBB REQUIRED)
find_package(GTest REQUIRED)
find_package(benchmark REQUIRED)
find_package(PkgConfig REQUIRED)
pkg_check_modules(ICU REQUIRED IMPORTED_TARGET icu-i18n icu-uc) # sentences from message patterns (language)
find_package(Threads REQUIRED)

# ITK: only the modules used, kept out of public headers (its templates are slow to compile).
find_package(ITK 5.2 REQUIRED COMPONENTS ITKCommon ITKImageGrid ITKImageIntensity ITKDistanceMap ITKSmoothing
  ITKConnectedComponents ITKBinaryMathematicalMorphology ITKMathematicalMorphology ITKThresholding ITKLabelMap
  ITKImageFunction ITKImageFeature ITKWatersheds ITKMesh ITKIONRRD ITKImageIO ITKImageGradient ITKAnisotropicSmoothing
  ITKFastMarching ITKTransform ITKRegionGrowing ITKLabelVoting)
add_library(rayset_itk INTERFACE)
target_include_directories(rayset_itk SYSTEM INTERFACE ${ITK_INCLUDE_DIRS})
target_link_libraries(rayset_itk INTERFACE ${ITK_LIBRARIES})
if(CMAKE_CXX_COMPILER_ID STREQUAL "Clang")
  target_compile_options(rayset_itk INTERFACE "SHELL:-include ${CMAKE_SOURCE_DIR}/cmake/itk_with_clang.h")
endif()

find_package(DCMTK REQUIRED)
add_library(rayset_dcmtk INTERFACE)
target_include_directories(rayset_dcmtk SYSTEM INTERFACE ${DCMTK_INCLUDE_DIRS})
target_link_libraries(rayset_dcmtk INTERFACE ${DCMTK_LIBRARIES})

find_library(OPENVDB_LIBRARY openvdb REQUIRED)
find_path(OPENVDB_INCLUDE openvdb/openvdb.h REQUIRED)
add_library(rayset_openvdb INTERFACE)
target_include_directories(rayset_openvdb SYSTEM INTERFACE ${OPENVDB_INCLUDE})
find_library(IMATH_LIBRARY NAMES Imath Imath-3_1 REQUIRED) # half floats; OpenVDB's headers use its table
target_link_libraries(rayset_openvdb INTERFACE ${OPENVDB_LIBRARY} ${IMATH_LIBRARY} TBB::tbb)

pkg_check_modules(PANGO REQUIRED IMPORTED_TARGET pangocairo cairo)
add_library(rayset_pango INTERFACE)
target_link_libraries(rayset_pango INTERFACE PkgConfig::PANGO)

find_library(NLOPT_CXX_LIBRARY NAMES nlopt_cxx nlopt REQUIRED)
add_library(rayset_nlopt INTERFACE)
target_link_libraries(rayset_nlopt INTERFACE ${NLOPT_CXX_LIBRARY})

find_package(PNG REQUIRED)      # pictures for the page
find_package(ZLIB REQUIRED)     # how far a deflated data set grows; tests read PNGs back with it
find_package(SQLite3 REQUIRED)  # the case library
find_package(Boost 1.74 REQUIRED) # Beast, header only: HTTP
find_package(spdlog REQUIRED) # the server's log; uses the same fmt
find_package(LibArchive REQUIRED) # archives of DICOM dropped onto the page, and what is exported
add_library(rayset_http INTERFACE)
target_link_libraries(rayset_http INTERFACE Boost::headers LibArchive::LibArchive Threads::Threads)
