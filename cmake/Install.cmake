# What `cmake --install` puts where, and the Debian packages (`cpack -G DEB` in the build folder): rayset is the component
# program, rayset-dev the component dev (cmake/Library.cmake). The program finds its
# data and the page from bin/ by ../share/rayset (apps/rayset/folders.cpp).

# The page is built by npm (web/package.json); its version is the program's.
set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS web/package.json web/package-lock.json)
foreach(file package.json package-lock.json)
  file(READ ${CMAKE_SOURCE_DIR}/web/${file} page)
  string(JSON page_version GET "${page}" version)
  if(NOT page_version STREQUAL PROJECT_VERSION)
    message(FATAL_ERROR "web/${file} has version ${page_version}, CMakeLists.txt ${PROJECT_VERSION}: make them one")
  endif()
endforeach()

# The program writes its manual page and completion itself.
set(manual ${CMAKE_BINARY_DIR}/rayset.1)
set(completion ${CMAKE_BINARY_DIR}/rayset.bash)
add_custom_command(OUTPUT ${manual} ${completion}
  COMMAND rayset --language en --manual-page > ${manual}
  COMMAND rayset --language en --bash-completion > ${completion}
  DEPENDS rayset VERBATIM COMMENT "Writing the manual page and the completion")
# What it is made of (SPDX), and the licences of what it has in it.
set(materials ${CMAKE_BINARY_DIR}/rayset.spdx.json)
set(notices ${CMAKE_BINARY_DIR}/NOTICES)
add_custom_command(OUTPUT ${materials} ${notices}
  COMMAND ${CMAKE_SOURCE_DIR}/tools/sbom $<TARGET_FILE:rayset> ${CMAKE_BINARY_DIR} ${PROJECT_VERSION} ${materials} ${notices}
  DEPENDS rayset tools/sbom web/package-lock.json VERBATIM COMMENT "Writing the bill of materials")
add_custom_target(rayset_papers ALL DEPENDS ${manual} ${completion} ${materials} ${notices})

install(TARGETS rayset RUNTIME DESTINATION bin)
install(DIRECTORY data/ DESTINATION share/rayset/data)
install(CODE "if(NOT EXISTS \"${CMAKE_SOURCE_DIR}/web/dist/index.html\")
  message(FATAL_ERROR \"The page is not built: npm ci && npm run build in web/\")
endif()")
install(DIRECTORY web/dist/ DESTINATION share/rayset/web)
install(FILES ${materials} ${notices} README.md CHANGELOG.md SECURITY.md docs/accuracy.md docs/dependencies.md
  docs/edits.md docs/films.md docs/performance.md docs/verify.md DESTINATION share/doc/rayset)
install(FILES LICENSE DESTINATION share/doc/rayset RENAME copyright) # where Debian looks for it
# In page.js: what web/src imports, and what that needs.
foreach(package preact three intl-messageformat @formatjs/fast-memoize @formatjs/icu-messageformat-parser
    @formatjs/icu-skeleton-parser)
  set(licence ${CMAKE_SOURCE_DIR}/web/node_modules/${package}/LICENSE)
  if(package MATCHES "formatjs|intl-")
    string(APPEND licence ".md")
  endif()
  get_filename_component(scope ${package} DIRECTORY)
  get_filename_component(name ${package} NAME)
  install(FILES ${licence} DESTINATION share/doc/rayset/${scope} RENAME ${name}-LICENSE)
endforeach()
install(FILES ${manual} DESTINATION share/man/man1)
install(FILES ${completion} DESTINATION share/bash-completion/completions RENAME rayset)
install(FILES packaging/rayset.desktop DESTINATION share/applications)
install(FILES web/static/icon.svg DESTINATION share/icons/hicolor/scalable/apps RENAME rayset.svg)

set(CPACK_GENERATOR DEB)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_COMPONENTS_ALL program dev)
set(CPACK_DEBIAN_PROGRAM_PACKAGE_NAME rayset)
set(CPACK_DEBIAN_DEV_PACKAGE_NAME rayset-dev)
set(CPACK_PACKAGE_NAME rayset)
set(CPACK_PACKAGE_CONTACT "Rayset contributors <contributors@rayset.invalid>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "planning of midfoot (Lisfranc) injuries from CT")
set(CPACK_PACKAGE_DESCRIPTION "Finds the bones of a broken midfoot in its CT, says which rays are displaced,
plans where each belongs and the screws and wires that hold it, and checks the
result on films or a CT after the operation. With a workstation in the browser.
It advises; a licensed surgeon decides. It is not a medical device.")
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PROGRAM_PACKAGE_DEPENDS "fonts-liberation2 | fonts-dejavu-core") # reports are set in them
set(CPACK_DEBIAN_PROGRAM_PACKAGE_RECOMMENDS "xdg-utils, chromium | firefox-esr | www-browser")
set(CPACK_DEBIAN_DEV_PACKAGE_DEPENDS "rayset (= ${PROJECT_VERSION})") # the data, and the fonts
set(CPACK_DEBIAN_DEV_PACKAGE_SECTION libdevel)
set(CPACK_COMPONENT_PROGRAM_DESCRIPTION "${CPACK_PACKAGE_DESCRIPTION}")
set(CPACK_COMPONENT_DEV_DESCRIPTION "${CPACK_PACKAGE_DESCRIPTION}\n\nThe library and its headers, for C++ programs.")
include(CPack)
