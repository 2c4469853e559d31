# SPDX-License-Identifier: GPL-3.0-or-later
# What `cmake --install` puts where, and the Debian package of it. Included by the top
# CMakeLists.txt, whose folder is the current one.
include(GNUInstallDirs)
set(PACKAGE_DIR ${CMAKE_SOURCE_DIR}/src/package)
set(SHARE_DIR ${CMAKE_INSTALL_DATADIR}/ampledger)
# These have their places whatever the prefix: systemd and udev look nowhere else for packages.
set(LIB_DIR lib)

install(TARGETS ampledger ampledger-virtual RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(TARGETS ampledgerd RUNTIME DESTINATION ${CMAKE_INSTALL_SBINDIR})
# Those of the virtual bench belong to its files.
install(DIRECTORY drivers profiles DESTINATION ${SHARE_DIR} FILES_MATCHING PATTERN "*.yaml")
install(DIRECTORY src/virtual/demo/ DESTINATION ${SHARE_DIR}/virtual FILES_MATCHING PATTERN "*.yaml")

install(FILES ${PACKAGE_DIR}/ampledgerd.service DESTINATION ${LIB_DIR}/systemd/system)
install(FILES ${PACKAGE_DIR}/sysusers.conf DESTINATION ${LIB_DIR}/sysusers.d RENAME ampledger.conf)
install(FILES ${PACKAGE_DIR}/tmpfiles.conf DESTINATION ${LIB_DIR}/tmpfiles.d RENAME ampledger.conf)
install(FILES udev/70-ampledger.rules DESTINATION ${LIB_DIR}/udev/rules.d)

set(DOC_DIR ${CMAKE_INSTALL_DATADIR}/doc/ampledger)
install(FILES ${PACKAGE_DIR}/bench.yaml ${PACKAGE_DIR}/network.conf ${PACKAGE_DIR}/no-network.conf
        DESTINATION ${DOC_DIR}/examples)
install(FILES README.md src/web/API.md DESTINATION ${DOC_DIR})
install(FILES ${PACKAGE_DIR}/completion/ampledger.bash
        DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions RENAME ampledger)
install(FILES ${PACKAGE_DIR}/completion/_ampledger
        DESTINATION ${CMAKE_INSTALL_DATADIR}/zsh/vendor-completions)

# ampledger(1) is written from what the program says of itself. Packages keep pages packed.
set(MAN_BUILD ${CMAKE_BINARY_DIR}/man)
set(man_packed)
foreach(page ampledger.1 ampledger-virtual.1 ampledgerd.8 ampledger-bench.5 ampledger-driver.5 ampledger-profile.5)
  set(from ${PACKAGE_DIR}/man/${page})
  if(page STREQUAL ampledger.1)
    set(from ${MAN_BUILD}/ampledger.1)
    add_custom_command(OUTPUT ${from}
      COMMAND ${CMAKE_COMMAND} -E make_directory ${MAN_BUILD}
      COMMAND sh ${PACKAGE_DIR}/man/ampledger.1.sh $<TARGET_FILE:ampledger> ${PROJECT_VERSION} > ${from}
      DEPENDS ampledger ${PACKAGE_DIR}/man/ampledger.1.sh VERBATIM)
  endif()
  add_custom_command(OUTPUT ${MAN_BUILD}/${page}.gz
    COMMAND ${CMAKE_COMMAND} -E make_directory ${MAN_BUILD}
    COMMAND gzip -9nc ${from} > ${MAN_BUILD}/${page}.gz
    DEPENDS ${from} VERBATIM)
  list(APPEND man_packed ${MAN_BUILD}/${page}.gz)
  string(REGEX REPLACE ".*\\." "" section ${page})
  install(FILES ${MAN_BUILD}/${page}.gz DESTINATION ${CMAKE_INSTALL_MANDIR}/man${section})
endforeach()
add_custom_target(man ALL DEPENDS ${man_packed})

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME ampledger)
set(CPACK_PACKAGE_VERSION ${PROJECT_VERSION})
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS
    OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE WORLD_READ WORLD_EXECUTE)
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "unattended battery tests on SCPI loads and supplies")
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION
"A daemon that drives electronic loads and power supplies over serial lines,
sockets and USB through battery tests: discharge to a cut-off, charge, rest,
pulses, cycles. It judges every sample against limits, switches off when
anything is wrong, and tells delivered capacity, resistance and a verdict
with its uncertainty. With a command line, a local page and a virtual bench.")
set(CPACK_DEBIAN_PACKAGE_MAINTAINER "ampledger contributors <ampledger@example.org>")
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_DEPENDS "adduser")
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "libjs-dygraphs")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA
    ${PACKAGE_DIR}/debian/postinst ${PACKAGE_DIR}/debian/prerm ${PACKAGE_DIR}/debian/postrm)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
configure_file(${PACKAGE_DIR}/debian/changelog.in ${CMAKE_BINARY_DIR}/changelog.Debian @ONLY)
add_custom_command(OUTPUT ${CMAKE_BINARY_DIR}/changelog.gz
  COMMAND gzip -9nc ${CMAKE_BINARY_DIR}/changelog.Debian > ${CMAKE_BINARY_DIR}/changelog.gz
  DEPENDS ${CMAKE_BINARY_DIR}/changelog.Debian VERBATIM)
add_custom_target(changelog ALL DEPENDS ${CMAKE_BINARY_DIR}/changelog.gz)
install(FILES ${CMAKE_BINARY_DIR}/changelog.gz DESTINATION ${DOC_DIR})
install(FILES ${PACKAGE_DIR}/debian/copyright DESTINATION ${DOC_DIR})
include(CPack)
