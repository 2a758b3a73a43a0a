# The version and the commit that a program was built from, as <version.hpp> of the target tautgate_version.
#
# Every decision in the journal names the program version that made it, so the commit has to be right on every
# build, not only at configure time. The header is asked for anew on each build and rewritten only when its
# text changes; only the few sources that include it are compiled again then. Pass the value from the main()
# of a program into the rest: no library includes it.

include_guard(GLOBAL)

set(TAUTGATE_COMMIT "" CACHE STRING "commit to report when the source is not a git checkout")

set(tautgate_generated ${PROJECT_BINARY_DIR}/generated)
add_custom_target(tautgate_version_header
    BYPRODUCTS ${tautgate_generated}/version.hpp
    COMMAND ${CMAKE_COMMAND}
        -D TEMPLATE=${PROJECT_SOURCE_DIR}/service/station/version.hpp.in
        -D OUTPUT=${tautgate_generated}/version.hpp
        -D SOURCE_DIR=${PROJECT_SOURCE_DIR}
        -D VERSION=${PROJECT_VERSION}
        -D GIVEN_COMMIT=${TAUTGATE_COMMIT}
        -P ${PROJECT_SOURCE_DIR}/deploy/cmake/write_version.cmake
    COMMENT "Asking which commit this is"
    VERBATIM)

add_library(tautgate_version INTERFACE)
target_include_directories(tautgate_version INTERFACE ${tautgate_generated})
add_dependencies(tautgate_version tautgate_version_header)
