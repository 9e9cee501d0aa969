# librayset.so for other people's C++ programs: `find_package(rayset)` gives the target rayset::rayset. It is shared and
# shows nothing but what include/rayset marks, so that a program needs neither the headers nor the link libraries of what
# it is made of.

configure_file(include/rayset/version.h.in ${CMAKE_BINARY_DIR}/include/rayset/version.h @ONLY)
set_target_properties(rayset_library PROPERTIES OUTPUT_NAME rayset EXPORT_NAME rayset VERSION ${PROJECT_VERSION}
  SOVERSION ${PROJECT_VERSION_MAJOR}.${PROJECT_VERSION_MINOR}) # before 1.0 any minor version may change the interface
target_compile_features(rayset_library PUBLIC cxx_std_20)
target_include_directories(rayset_library PUBLIC $<BUILD_INTERFACE:${CMAKE_SOURCE_DIR}/include>
  $<BUILD_INTERFACE:${CMAKE_BINARY_DIR}/include> $<INSTALL_INTERFACE:include>)
# Hides also what inline code of the standard library and of others leaves in it.
target_link_options(rayset_library PRIVATE LINKER:--version-script=${CMAKE_SOURCE_DIR}/cmake/librayset.map)
set_target_properties(rayset_library PROPERTIES LINK_DEPENDS ${CMAKE_SOURCE_DIR}/cmake/librayset.map)

include(CMakePackageConfigHelpers)
set(package lib/cmake/rayset)
set(data share/rayset/data) # cmake/Install.cmake puts it there
configure_package_config_file(cmake/raysetConfig.cmake.in ${CMAKE_BINARY_DIR}/raysetConfig.cmake
  INSTALL_DESTINATION ${package} PATH_VARS data)
write_basic_package_version_file(${CMAKE_BINARY_DIR}/raysetConfigVersion.cmake COMPATIBILITY SameMinorVersion)

install(TARGETS rayset_library EXPORT rayset LIBRARY DESTINATION lib COMPONENT dev NAMELINK_COMPONENT dev)
install(EXPORT rayset FILE raysetTargets.cmake NAMESPACE rayset:: DESTINATION ${package} COMPONENT dev)
install(FILES ${CMAKE_BINARY_DIR}/raysetConfig.cmake ${CMAKE_BINARY_DIR}/raysetConfigVersion.cmake DESTINATION ${package}
  COMPONENT dev)
install(DIRECTORY include/rayset ${CMAKE_BINARY_DIR}/include/rayset DESTINATION include COMPONENT dev FILES_MATCHING PATTERN *.h)
install(FILES docs/library.md DESTINATION share/doc/rayset COMPONENT dev)
install(DIRECTORY examples DESTINATION share/doc/rayset COMPONENT dev)
